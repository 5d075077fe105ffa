"""Broken manifests by name: written by hand for known faults, otherwise by seeded mutators."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from pathlib import Path

FULL = """\
release:
  artist: Halden Ferry Singers
  title: Songs for Slack Water
  catalogue_number: TWE-014
  release_date: 2027-04-16
  barcode: "2000000000145"
  p_line: 2027 Tidewrack Editions
level: {match: track, target: -14, ceiling: -1}
disc:
  gap: 2
  limit: "79:57"
  level: {target: -11}
download:
  formats: [flac-24, mp3-320]
tracks:
  - title: Low Lantern
    audio: &tape a.wav
    start: 0:00.35
    end: 0:04.8
    isrc: AA-6Q7-20-00047
    gap: 2
    trim: 0.5
    fade_in: 0.02
    fade_out: 1
    equaliser:
      - {shape: high_pass, hz: 30, slope: 24}
      - {shape: bell, hz: 2800, db: -1.5, q: 1.2}
    composers: [Ines Falk]
    recorded: 1991-05
  - title: Tide Table
    audio: {left: *tape, right: b.wav}
    lyrics: |
      Low lantern on the water,
      low water at the stair.
credits:
  - {name: Mattis Oren, roles: [harmonium], tracks: [1, 2]}
text:
  thanks: The ferrymen.
"""
CORPUS = Path(__file__).parent / "corpus"
Broken = dict[str, bytes]


def changed(old: str, new: str) -> bytes:
    """Return the manifest with one thing changed."""
    assert FULL.count(old) >= 1, old
    return FULL.replace(old, new, 1).encode("utf-8", "surrogatepass")


TITLE = "title: Low Lantern"
SCALARS = {
    "release.barcode": ('barcode: "2000000000145"', "barcode: "),
    "release.release_date": ("release_date: 2027-04-16", "release_date: "),
    "level.target": ("target: -14", "target: "),
    "disc.gap": ("gap: 2\n  limit", "gap: GAP\n  limit"),
    "disc.limit": ('limit: "79:57"', "limit: "),
    "download.formats": ("formats: [flac-24, mp3-320]", "formats: "),
    "tracks[0].title": (TITLE, "title: "),
    "tracks[0].start": ("start: 0:00.35", "start: "),
    "tracks[0].isrc": ("isrc: AA-6Q7-20-00047", "isrc: "),
    "tracks[0].trim": ("trim: 0.5", "trim: "),
    "tracks[0].equaliser[0].hz": ("hz: 30", "hz: "),
    "credits[0].tracks": ("tracks: [1, 2]", "tracks: "),
}
"""Places of single values, and how to write another there."""
NO_VALUES = {
    "a mapping": "{a: b}",
    "a list in a list": "[[a]]",
    "9 nines": "999999999999999999",
    "1e999": "1e999",
    "nan": "nan",
    "minus infinity": "-.inf",
    "hexadecimal": "0x7f",
    "a control character": '"a\\x07b"',
    "half a sign": '"\\ud800"',
    "a byte order mark's mirror": '"\\ufffe"',
    "two lines": '"a\\nb"',
}
TAGS = [
    "!!python/object/apply:os.system [id]",
    "!!python/object/new:os.system [id]",
    "!!python/object:os.PathLike {}",
    "!!python/name:os.system",
    "!!python/module:os",
    "!!python/tuple [1]",
    "!!timestamp 2027-04-16",
    "!!binary aGk=",
    "!!null x",
    "!!omap [a: b]",
    "!include /etc/passwd",
    "!env HOME",
    "!<tag:yaml.org,2002:python/object/apply:os.system> [id]",
    "!%0Aerror%0A x",
]


def wrong_values() -> Iterator[tuple[str, bytes]]:
    """Put what is no value of its kind into each single value, every other one in turn."""
    for turn, (place, (old, new)) in enumerate(SCALARS.items()):
        for name, value in list(NO_VALUES.items())[turn % 2 :: 2]:
            if place.endswith("title") and not value.startswith(('"', "{", "[")):
                continue  # any word is a title
            written = new.replace("GAP", value) if "GAP" in new else new + value
            yield f"{place} is {name}", changed(old, written)


def by_hand() -> Iterator[tuple[str, bytes]]:
    """Return manifests whose fault is known."""
    full = FULL.encode()
    yield "nothing", b""
    yield "spaces", b"   \n\n"
    yield "a comment", b"# songs\n"
    yield "a byte order mark", b"\xef\xbb\xbf"
    yield "one word", b"songs\n"
    yield "a list", b"- release\n- tracks\n"
    yield "JSON cut short", b'{"release": {"artist": "a"'
    yield "NUL at the end", full + b"\0"
    yield "NUL in a title", full.replace(b"Lantern", b"Lan\0tern")
    yield "all NUL", bytes(4000)
    yield "a recording", b"RIFF\x24\x00\x00\x00WAVEfmt " + bytes(range(256)) * 4
    yield "a picture", b"\x89PNG\r\n\x1a\n" + bytes(range(256))
    yield "an archive", b"PK\x03\x04" + bytes(range(128, 256)) * 8
    for coding in ("utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp500"):
        text = FULL.replace("Falk", "Fålk")
        yield coding, text.encode(coding)
    yield "Latin-1", FULL.replace("Falk", "Fålk").encode("latin-1")
    for name, signs in {
        "a lone continuation": b"\x80",
        "an overlong NUL": b"\xc0\x80",
        "an overlong slash": b"\xe0\x80\xaf",
        "a surrogate": b"\xed\xa0\x80",
        "beyond Unicode": b"\xf4\x90\x80\x80",
        "a cut sign": b"\xe2\x82",
        "FF": b"\xff\xfe",
    }.items():
        yield f"{name} in a title", full.replace(b"Lantern", b"Lan" + signs + b"tern")
    yield from _by_yaml()


def _by_yaml() -> Iterator[tuple[str, bytes]]:
    """Return manifests whose fault is in their YAML or in what it says."""
    for sign in ("\x01", "\x08", "\x0b", "\x0c", "\x1b[31m", "\x7f", "\x9b31m", "\ufffe", "\uffff"):
        name = " ".join(f"U+{ord(s):04X}" for s in sign)
        yield f"{name} in a title", changed("Lantern", f"Lan{sign}tern")
    for number, tag in enumerate(TAGS):
        yield f"tag {number} {tag[:20]}", changed(TITLE, f"title: {tag}")
    yield "a tag on the release", changed("release:", "release: !!python/dict")
    yield "a tag on a key", changed("  artist:", "  !!python/name:os.system artist:")
    yield "an undefined tag handle", changed(TITLE, "title: !x!" + "y" * 3000 + " z")
    for key in ("artist", "release", "tracks", "credits", "level"):
        line = next(one for one in FULL.splitlines() if one.strip().startswith(f"{key}:"))
        yield f"{key} twice", changed(line, f"{line}\n{line}")
    for key, near in MISSPELT.items():
        yield f"{key} for {near}", changed(f"{near}:", f"{key}:")
    yield (
        "an alias before its anchor",
        changed("  artist: Halden", "  genre: *tape\n  artist: Halden"),
    )
    yield "an anchor twice", changed(TITLE, "title: &a &b Low Lantern")
    yield "an alias in itself", changed("credits:", "credits: &c\n  - *c\nlevel2:")
    yield "a merge", changed("level:", "<<: {release: x}\nlevel:")
    yield "an anchor of a page", changed(TITLE, f"title: *{'a' * 5000}")
    yield from _by_structure()


def _by_structure() -> Iterator[tuple[str, bytes]]:
    """Return manifests whose documents, quotes, indents or parts are wrong."""
    full = FULL.encode()
    yield "two documents", full + b"---\n" + full
    yield "an end in the middle", changed("tracks:", "...\ntracks:")
    yield "a directive in the middle", changed("tracks:", "%YAML 1.2\ntracks:")
    yield "YAML 9.9", b"%YAML 9.9\n---\n" + full
    yield "a directive of junk", b"%TAG ! tag:x,2000:\n%TAG ! tag:y,2000:\n---\n" + full
    yield "a key without end", changed(TITLE, "title Low Lantern")
    yield "a quote without end", changed(TITLE, 'title: "Low Lantern')
    yield "a bracket without end", changed("[Ines Falk]", "[Ines Falk")
    yield "an escape that is none", changed(TITLE, 'title: "Low \\q"')
    yield "an escape beyond Unicode", changed(TITLE, 'title: "\\UFFFFFFFF"')
    yield "a tab as an indent", changed("  artist:", "\tartist:")
    yield "a tab in front of a list", changed("  - title", "\t- title")
    yield "an indent too deep", changed("  catalogue_number:", "      catalogue_number:")
    yield "an indent of one", changed("  label" if "  label" in FULL else "  barcode", " barcode")
    yield "a list for a mapping", changed("release:", "release: []\nother:")
    yield "a key that is a list", changed("text:", "? [a, b]\n: c\ntext:")
    yield "a key that is empty", changed("text:", "? \n: c\ntext:")
    yield "a key of a page", changed("text:", f"? {'k' * 90000}\n: c\ntext:")
    yield "tracks left empty", FULL[: FULL.index("tracks:")].encode() + b"tracks: []\n"
    yield "tracks as a word", FULL[: FULL.index("tracks:")].encode() + b"tracks: many\n"
    yield "no tracks", FULL[: FULL.index("tracks:")].encode()
    yield "no release", FULL[FULL.index("level:") :].encode()
    yield "45 brackets", changed(TITLE, f"title: {'[' * 45}{']' * 45}")
    yield "3000 braces", changed(TITLE, f"title: {'{a: ' * 3000}")
    yield "a title of 3000 signs", changed("Low Lantern", "x" * 3000)
    yield "a gap of 400 digits", changed("gap: 2\n  limit", f"gap: {'9' * 400}\n  limit")


MISSPELT = {
    "artis": "artist",
    "Title": "title",
    "catalog_number": "catalogue_number",
    "bar_code": "barcode",
    "traks": "tracks",
    "trakcs": "tracks",
    "fadein": "fade_in",
    "equalizer": "equaliser",
    "isrcs": "isrc",
    "levle": "level",
    "lirics": "lyrics",
    "creditz": "credits",
}
"""Keys as a hand slips, and what was meant."""


def cut(content: bytes, chance: random.Random) -> bytes:
    """Leave the end away."""
    return content[: chance.randrange(1, len(content) - 40)]


def flipped(content: bytes, chance: random.Random) -> bytes:
    """Change a few bits."""
    changed = bytearray(content)
    for _ in range(chance.randrange(1, 6)):
        changed[chance.randrange(len(changed))] ^= 1 << chance.randrange(8)
    return bytes(changed)


def with_junk(content: bytes, chance: random.Random) -> bytes:
    """Put a few random bytes in."""
    place = chance.randrange(len(content))
    return content[:place] + chance.randbytes(chance.randrange(1, 9)) + content[place:]


def with_signs(content: bytes, chance: random.Random) -> bytes:
    """Put signs that mean something to YAML in."""
    changed = content.decode()
    for _ in range(3):
        place = chance.randrange(len(changed))
        changed = changed[:place] + chance.choice("[]{}:,-?&*!|>%@`#'\"\\\t\n ") + changed[place:]
    return changed.encode()


def swapped(content: bytes, chance: random.Random) -> bytes:
    """Exchange two lines."""
    lines = content.splitlines()
    a, b = chance.sample(range(len(lines)), 2)
    lines[a], lines[b] = lines[b], lines[a]
    return b"\n".join(lines)


def indented(content: bytes, chance: random.Random) -> bytes:
    """Indent a line otherwise."""
    lines = content.splitlines()
    place = chance.randrange(len(lines))
    lines[place] = b" " * chance.choice([0, 1, 3, 5, 9]) + lines[place].lstrip()
    return b"\n".join(lines)


def doubled(content: bytes, chance: random.Random) -> bytes:
    """Write a line twice."""
    lines = content.splitlines()
    place = chance.randrange(len(lines))
    lines.insert(place, lines[place])
    return b"\n".join(lines)


def without_a_line(content: bytes, chance: random.Random) -> bytes:
    """Leave a line out."""
    lines = content.splitlines()
    del lines[chance.randrange(len(lines))]
    return b"\n".join(lines)


def shuffled_values(content: bytes, chance: random.Random) -> bytes:
    """Return every key the value of another."""
    pairs = [line.split(b":", 1) for line in content.splitlines() if b":" in line]
    mixed = chance.sample([value for _, value in pairs], len(pairs))
    return b"\n".join(head + b":" + value for (head, _), value in zip(pairs, mixed, strict=True))


MUTATORS: tuple[Callable[[bytes, random.Random], bytes], ...] = (
    cut,
    flipped,
    with_junk,
    with_signs,
    swapped,
    indented,
    doubled,
    without_a_line,
    shuffled_values,
)
SEEDS = 10


def by_mutation() -> Iterator[tuple[str, bytes]]:
    """Return manifests with faults by chance, the same each time."""
    for mutator in MUTATORS:
        for seed in range(SEEDS):
            name = f"{mutator.__name__} {seed}"
            yield name, mutator(FULL.encode(), random.Random(name))
