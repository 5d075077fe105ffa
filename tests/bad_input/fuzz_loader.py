"""Run the manifest loader on the input of a coverage-guided fuzzer; run by hand, not a test.

Needs atheris (general-purpose, `pip install atheris`); with N the seconds that it runs:

    python tests/bad_input/fuzz_loader.py N

It begins with the files of `corpus/` and `manifests/` and stops at the first input that brings
anything but findings of one line, or takes over 5 s; that input lies in the working folder then,
and belongs into `corpus/`, which `test_broken_manifests.py` reads.
"""

from __future__ import annotations

import sys
import tempfile
import unicodedata
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["assembler.manifest", "yaml"]):
    from assembler.errors import FindingsError
    from assembler.manifest import load

CORPUS = Path(__file__).parent / "corpus"
GOOD = Path(__file__).parents[2] / "manifests"


def one_input(path: Path, content: bytes) -> None:
    """Load one manifest: it is good, or every finding is one clear line."""
    path.write_bytes(content)
    try:
        load(path)
    except FindingsError as error:
        assert error.findings
        for finding in error.findings:
            line = str(finding)
            assert 10 < len(line) < 1000, line
            assert not [s for s in line if unicodedata.category(s) in ("Cc", "Zl", "Zp")], line


def main() -> None:
    """Run the fuzzer."""
    with tempfile.TemporaryDirectory() as scratch:
        path, found = Path(scratch) / "songs.yaml", Path(scratch) / "found"
        found.mkdir()
        options = [f"-max_total_time={sys.argv[1]}", "-timeout=5", "-max_len=6000"]
        atheris.Setup(
            [sys.argv[0], *options, str(found), str(CORPUS), str(GOOD)],
            lambda content: one_input(path, content),
        )
        atheris.Fuzz()


if __name__ == "__main__":
    main()
