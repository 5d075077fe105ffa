"""Write the repairs that a survey recommends as lines to paste into a manifest."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from assembler.manifest.yaml_scalar import yaml_text
from assembler.restoration.survey.remedies import SideFinding

_COLUMNS = 80
_INDENT = 4
_STEP = "  "


def restoration_section(findings: Sequence[SideFinding]) -> str:
    """Return the lines of all findings as a `restoration:` section; empty if there are none.

    Lines for the side itself come before it. A guess is written as a comment with its reason below
    it. If there are only guesses, every line is a comment.
    """
    beside = "".join(f"{finding.side_line}\n" for finding in findings if finding.side_line)
    repairs = [finding.restoration for finding in findings if finding.restoration]
    guesses = [line for finding in findings for line in _guess(finding)]
    if not repairs:
        comments = ["restoration:", *guesses] if guesses else []
        return beside + "".join(f"# {line}\n" for line in comments)
    lines = ["restoration:", *(f"{_STEP}{line}" for line in repairs)]
    lines += [f"{_STEP}# {line}" for line in guesses]
    return beside + "".join(f"{line}\n" for line in lines)


def _guess(finding: SideFinding) -> Iterator[str]:
    if finding.guess:
        yield finding.guess
        reason = f"a guess: {finding.measured}; {finding.remedy}"
        yield from textwrap.wrap(reason, _COLUMNS - _INDENT - 2 * len(_STEP) - 2)


def side_entry(name: str, files: Sequence[str], restoration: str) -> str:
    """Return a side as an entry of `transfers:`, indented to be pasted under that key.

    Parameters
    ----------
    name
        Of the side.
    files
        Its file, or left and right, relative to the manifest; none for a side that is in the
        manifest already: then only `restoration:` is written, to be pasted below the side's files.
    restoration
        From `restoration_section`.
    """
    keys = ("file",) if len(files) == 1 else ("left", "right")
    lines = [f"{_STEP}{yaml_text(name)}:\n"] if files else []
    lines += [
        f"{' ' * _INDENT}{key}: {yaml_text(file)}\n" for key, file in zip(keys, files, strict=False)
    ]
    return "".join(lines) + textwrap.indent(restoration, " " * _INDENT)
