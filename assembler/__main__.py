"""``python -m assembler``."""

from assembler.entry import run

raise SystemExit(run())
