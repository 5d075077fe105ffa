"""``python -m assembler``."""

from assembler.cli import main

raise SystemExit(main())
