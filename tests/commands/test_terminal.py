"""Nothing that a file's name, a song list or an approval holds makes a terminal do something.
Control functions: ECMA-48 (from memory). The program's own colours are all that may be left."""

from __future__ import annotations

import ast
import io
import re
from pathlib import Path

import pytest
from desk import Desk, hum
from hypothesis import given
from hypothesis import strategies as st
from rich.table import Table
from rich.text import Text

import assembler
from assembler.commands.console.rich_console import new_console
from assembler.commands.console.terminal import printable

CONTROLS = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")
COLOUR = re.compile(r"\x1b\[[0-9;]*m")
EVIL = "\x1b]0;mine\x07\x1b[2J\x9b31m\u202egnp"


@given(st.text())
def test_a_printable_text_has_no_controls_and_all_else(text: str) -> None:
    found = printable(text)
    assert not CONTROLS.search(found)
    assert found == CONTROLS.sub("", text.replace("\t", " "))


def test_a_console_prints_colours_and_no_other_sequence() -> None:
    out = io.StringIO()
    console = new_console(file=out, force_terminal=True, color_system="standard", width=60)
    table = Table("A", "B", title=EVIL)
    table.add_row(Text(EVIL, style="red"), EVIL)
    console.print(Text(EVIL, style="bold"), soft_wrap=True)
    console.print(EVIL)
    console.print(table)
    shown = out.getvalue()
    assert COLOUR.search(shown)
    assert not CONTROLS.search(COLOUR.sub("", shown))
    assert "mine" in shown


def test_the_terminal_is_reached_in_one_place_only() -> None:
    """Every module prints through `terminal` and `console`, so none can forget it."""
    folder = Path(assembler.__file__).parent
    found = []
    for path in sorted(folder.rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        if "print" not in text and "Console" not in text:
            continue  # parsing takes longer
        for node in ast.walk(ast.parse(text)):
            called = node.func if isinstance(node, ast.Call) else None
            if isinstance(called, ast.Name) and called.id in ("print", "Console"):
                found.append(path.relative_to(folder).as_posix())
    assert set(found) == {"commands/console/terminal.py"}


@pytest.mark.parametrize("json", [False, True])
def test_names_of_files_are_shown_without_controls(desk: Desk, json: bool) -> None:
    name = f"{EVIL}.wav"
    folder = desk.folder / "takes"
    folder.mkdir()
    desk.sound(f"takes/{name}", hum())
    songs = desk.folder / f"{EVIL}.txt"
    songs.write_text(f"Hi {EVIL},\n1. Low {EVIL} Lantern\n2. Undertow\n", encoding="utf-8")
    odd = desk.write('{"release": 1}', f"{EVIL}.yaml")
    for arguments in (
        ("draft", folder, "--titles", songs, "--out", desk.folder / "m.yaml"),
        ("measure", folder / name),
        ("survey", folder / name),
        ("check", odd),
        ("build", odd),
        ("verify", desk.folder / EVIL),
        ("compare", desk.folder / EVIL, folder),
        ("approve", odd),
        ("split", folder / name, "--titles", desk.folder / EVIL),
    ):
        _, out, err = desk.run(*arguments, *(["--json"] if json else []))
        assert out + err
        assert not CONTROLS.search(out + err), arguments[0]


def test_what_was_typed_wrongly_is_shown_without_controls(
    capsys: pytest.CaptureFixture[str],
) -> None:
    from assembler.commands.main import main

    for arguments in ([EVIL], ["check", "a", EVIL], ["build", "a", "--only", EVIL]):
        try:
            code: object = main(arguments)
        except SystemExit as stopped:
            code = stopped.code
        assert code == 2
        message = capsys.readouterr().err
        assert message
        assert not CONTROLS.search(message)
