"""What the generator of the demo's tape side says of it; its modules lie beside its script."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

DEMO = Path(__file__).parents[2] / "demo_release"


def side_truth() -> Any:
    """Return the generator's own statement."""
    sys.path.insert(0, str(DEMO))
    try:
        from net_loft_side import SIDE_TRUTH  # type: ignore[import-not-found]
    finally:
        sys.path.remove(str(DEMO))
    return SIDE_TRUTH
