"""Print the coverage of each room: python .ci/coverage_by_room.py, after a run under coverage.

Loops that numba compiles are left out: no tracer sees machine code.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import coverage

LOW_PERCENT = 85


def main() -> None:
    """Print a line per room, and which of them are low."""
    measured = coverage.Coverage()
    measured.combine()
    measured.load()
    lines, missed = Counter[str](), Counter[str]()
    package = Path("assembler").resolve()
    for path in package.rglob("*.py"):
        room, *below = path.relative_to(package).parts
        _, statements, _, missing, _ = measured.analysis2(str(path))
        for name in (room if below else "assembler", "all"):
            lines[name] += len(statements)
            missed[name] += len(missing)
    percents = {room: 100 - 100 * missed[room] / lines[room] for room in sorted(lines)}
    print("room           lines  missed  covered")
    for room, percent in percents.items():
        print(f"{room:13} {lines[room]:6}  {missed[room]:6}  {percent:5.1f} %")
    low = [room for room, percent in percents.items() if percent < LOW_PERCENT]
    print(f"under {LOW_PERCENT} %: {', '.join(low) or 'none'}")


if __name__ == "__main__":
    main()
