"""The proof page: opens from a folder, needs no server and no network."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path
from shutil import copyfile
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from assembler.manifest.codes import isrc_text
from assembler.proof import texts
from assembler.proof.content import Proof
from assembler.proof.open_points import open_points
from assembler.proof.picture import disc_bars, listen_url, picture_data
from assembler.text import decimal, duration_text, signed, three_digits
from assembler.typeset.blocks import Note, Row, SignOff, Subtitle, Verse

PAGE = "index.html"
FILES = ("page.css", "picture.js", "player.js", "form.js")
TEMPLATES = Path(__file__).parent / "page"


def write_page(folder: Path, proof: Proof) -> None:
    """Write ``index.html`` and its assets.

    Parameters
    ----------
    folder
        The release's ``proof`` folder; created if missing.
    proof
        Its content.
    """
    folder.mkdir(parents=True, exist_ok=True)
    (folder / PAGE).write_text(page_html(proof), encoding="utf-8", newline="\n")
    for name in FILES:
        copyfile(TEMPLATES / name, folder / name)


def page_html(proof: Proof) -> str:
    """Return the page's HTML; all text of the release is escaped."""
    template = _environment().get_template(PAGE)
    joins = list(proof.joins())
    return template.render(
        proof=proof,
        joins=joins,
        open_points=list(open_points(proof.findings)),
        data=picture_data(proof),
        disc_bars=disc_bars,
    )


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters |= _filters()
    kinds: Mapping[str, type] = {
        "note": Note,
        "row": Row,
        "sign_off": SignOff,
        "subtitle": Subtitle,
        "verse": Verse,
    }
    environment.tests |= {name: _is_a(kind) for name, kind in kinds.items()}
    environment.policies["json.dumps_kwargs"] = {"sort_keys": False, "ensure_ascii": False}
    return environment


def _is_a(kind: type) -> Any:
    return lambda item: isinstance(item, kind)


def _filters() -> dict[str, Any]:
    return {
        "capitalised": lambda text: text[:1].upper() + text[1:],
        "clip_text": texts.clip_text,
        "disc_text": texts.disc_text,
        "duration_text": duration_text,
        "fact_text": texts.fact_text,
        "file_name": texts.file_name,
        "gain_text": signed,
        "isrc_text": isrc_text,
        "join_text": texts.join_text,
        "level_text": decimal,
        "reading_text": three_digits,
        "listen_url": listen_url,
        "number_text": texts.number_text,
        "place_text": texts.place_text,
        "rate_text": texts.rate_text,
        "section_text": texts.section_text,
        "share_text": texts.share_text,
    }
