"""The schema (JSON Schema 2020-12) and the manifest that shows every key are compared with the
model; a full example is loaded."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Iterator
from contextlib import redirect_stdout
from pathlib import Path
from typing import Any, get_args

import jsonschema
import pytest
import yaml
from manifest.kinds import Loading
from pydantic import BaseModel

from assembler import load
from assembler.commands.main import main
from assembler.manifest import Manifest
from assembler.manifest.schema import manifest_schema
from assembler.manifest.sets import FORMATS

EVERY_KEY = Path(__file__).parents[2] / "manifests" / "every-key.yaml"
EXAMPLE = """\
release:
  artist: Halden Ferry Singers
  title: Songs for Slack Water
  catalogue_number: TWE-014
  label: Tidewrack Editions
  release_date: 2027-04-16
  barcode: "2000000000145"          # EAN-13 or UPC-A
  genre: Choral
  p_line: 2027 Tidewrack Editions  # the ℗ line
  c_line: 2027 Tidewrack Editions  # the © line
  front_cover: art/front.png          # optional
  language: en
level:
  match: album
  target: -14         # LUFS
  ceiling: -1         # dBTP
disc:
  gap: 2
  limit: "79:57"
  make: false
  level: {target: -11, ceiling: -0.5}
download:
  formats:
    [flac-24, mp3-320, wav-24, wav-16, flac-16, mp3-vbr, opus-160, aac-256, alac-24, ogg-q8]
tracks:
  - title: Low Lantern
    audio: audio/low-lantern.wav
    start: 0:00.35
    end: 4:12.8
    recorded: 1991
    isrc: AA-6Q7-27-00001
    gap: 2
    trim: 0.5
    fade_in: 0.02
    fade_out: 6
    equaliser:
      - {shape: high_pass, hz: 30}
      - {shape: bell, hz: 2800, db: -1.5, q: 1.2}
    composers: [Ines Falk]
    lyricists: [Oda Brenn]
    publisher: Tidewrack Songs
    artist: Oda Brenn
    version: live
    arrangers: [Mattis Oren]
    recorded_at: Net Loft
    lyrics: Low lantern
    comment: tape 1
  - title: Tide Table
    audio: {left: a-L.wav, right: a-R.wav}
    disc: 2
credits:
  - {name: Mattis Oren, roles: [harmonium, arranger], tracks: [1, 2]}
  - {name: Ines Falk, roles: [mastering]}
text:
  notes: |
    Sleeve notes …
  thanks: …
"""


def models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    """Yield every model that a type names."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
        for field in annotation.model_fields.values():
            yield from models_in(field.annotation)
    for part in get_args(annotation):
        yield from models_in(part)


MODELS = list(dict.fromkeys(models_in(Manifest)))


def keys_of(model: type[BaseModel]) -> dict[str, str]:
    """Return the key of each attribute: its alias, where there is one."""
    return {name: field.alias or name for name, field in model.model_fields.items()}


def sections_in(value: Any) -> Iterator[BaseModel]:
    """Yield every section of a loaded manifest, through lists and mappings."""
    if isinstance(value, BaseModel):
        yield value
        for name in type(value).model_fields:
            yield from sections_in(getattr(value, name))
    elif isinstance(value, tuple | dict):
        for item in value.values() if isinstance(value, dict) else value:
            yield from sections_in(item)


@pytest.fixture(scope="module")
def schema() -> dict[str, Any]:
    """What `assembler schema` prints."""
    with redirect_stdout(io.StringIO()) as printed:
        assert main(["schema"]) == 0
    document = json.loads(printed.getvalue())
    assert isinstance(document, dict)
    return document


def section_of(schema: dict[str, Any], model: type[BaseModel]) -> dict[str, Any]:
    section = schema if model is Manifest else schema["$defs"][model.__name__]
    assert isinstance(section, dict)
    return section


def test_every_section_is_found() -> None:
    names = {model.__name__ for model in MODELS}
    assert len(MODELS) >= 16
    assert {"Manifest", "Release", "Level", "Track", "Audio", "Band", "Credit"} <= names
    assert {"Transfer", "Restoration", "Declick", "Hum", "Noise"} <= names


@pytest.mark.thorough
@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.__name__)
def test_the_schema_names_exactly_the_models_keys(
    schema: dict[str, Any], model: type[BaseModel]
) -> None:
    section = section_of(schema, model)
    keys = keys_of(model)
    assert set(section["properties"]) == set(keys.values())
    assert section["additionalProperties"] is False
    needed = {keys[name] for name, field in model.model_fields.items() if field.is_required()}
    assert set(section.get("required", [])) == needed


def test_the_schema_names_its_standard_and_the_required_sections(schema: dict[str, Any]) -> None:
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert set(schema["required"]) == {"release", "tracks"}


def test_every_reference_of_the_schema_is_defined(schema: dict[str, Any]) -> None:
    def references(node: Any) -> Iterator[str]:
        if isinstance(node, dict):
            for key, value in node.items():
                if key == "$ref":
                    yield value
                yield from references(value)
        elif isinstance(node, list):
            for item in node:
                yield from references(item)

    names = {name.removeprefix("#/$defs/") for name in references(schema)}
    assert names
    assert names <= set(schema["$defs"])


def test_choices_are_listed_in_the_schema(schema: dict[str, Any]) -> None:
    text = json.dumps(schema)
    choices = ("album", "track", "none", "high_pass", "low_shelf", "bell", "notch", *FORMATS)
    choices += ("remove", "off", "left", "right", "both")
    assert [choice for choice in choices if f'"{choice}"' not in text] == []


def test_the_manifest_of_every_key_loads_and_uses_every_key() -> None:
    manifest = load(EVERY_KEY).manifest
    used: dict[type[BaseModel], set[str]] = {model: set() for model in MODELS}
    for section in sections_in(manifest):
        used[type(section)] |= section.model_fields_set
    unused = {
        model.__name__: sorted(set(model.model_fields) - names)
        for model, names in used.items()
        if set(model.model_fields) - names
    }
    assert unused == {}


def test_the_manifest_of_every_key_writes_each_key() -> None:
    text = EVERY_KEY.read_text(encoding="utf-8")
    keys = {key for model in MODELS for key in keys_of(model).values()}
    assert "from" in keys
    assert sorted(key for key in keys if not re.search(rf"\b{key}:", text)) == []


class CoreLoader(yaml.SafeLoader):
    """YAML 1.2's core schema, as editors read it: `no` and dates are texts."""


CoreLoader.yaml_implicit_resolvers = {}
for tag, pattern in (
    ("bool", "true|false"),
    ("int", r"[-+]?\d+"),
    ("float", r"[-+]?(\d+\.\d*|\.\d+)"),
    ("null", ""),
):
    CoreLoader.add_implicit_resolver(f"tag:yaml.org,2002:{tag}", re.compile(f"^({pattern})$"), None)


@pytest.mark.parametrize(
    "path", sorted(EVERY_KEY.parent.glob("*.yaml")), ids=lambda path: path.stem
)
def test_an_editor_finds_no_fault_in_the_manifests_here(schema: dict[str, Any], path: Path) -> None:
    content = yaml.load(path.read_text("utf-8"), CoreLoader)
    assert len(content["tracks"]) > 0
    validator = jsonschema.Draft202012Validator(schema)
    assert [f"{e.json_path}: {e.message}" for e in validator.iter_errors(content)] == []


def test_an_editor_finds_wrong_values(schema: dict[str, Any]) -> None:
    text = (
        "release: {artist: A, title: B, advisory: dirty}\ntracks: [{title: C, audio: d, iswc: [1]}]"
    )
    faults = jsonschema.Draft202012Validator(schema).iter_errors(yaml.load(text, CoreLoader))
    assert {e.json_path for e in faults} == {"$.release.advisory", "$.tracks[0].iswc"}


def test_a_full_example_loads(loaded: Loading) -> None:
    manifest = loaded(EXAMPLE).manifest
    assert manifest.level_of("disc").model_dump() == {
        "match": "album",
        "target": -11.0,
        "ceiling": -0.5,
        "link": 100.0,
        "hold": "none",
    }
    assert set(manifest.download[0].formats) == set(FORMATS)
    assert manifest.tracks[1].audio.paths == ("a-L.wav", "a-R.wav")


def test_four_keys_are_enough(loaded: Loading) -> None:
    text = "release: {artist: a, title: b}\ntracks: [{title: c, audio: d.wav}]\n"
    manifest = loaded(text).manifest
    assert (manifest.level.match, manifest.level.target, manifest.level.ceiling) == (
        "album",
        -14.0,
        -1.0,
    )
    assert (manifest.disc.gap, manifest.disc.limit) == (2, 359775)


def test_every_key_has_a_description() -> None:
    schema = manifest_schema()
    undescribed = [
        f"{part}.{key}"
        for part, content in {"Manifest": schema, **schema["$defs"]}.items()
        for key, field in content.get("properties", {}).items()
        if len(field.get("description", "")) < 5
    ]
    assert undescribed == []
    assert "crossfade" in schema["$defs"]["Track"]["properties"]["overlap"]["description"]
