"""Read the known faults of the demo's tape side from its generator."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

DEMO = Path(__file__).parents[2] / "demo_release"


def side_truth() -> Any:
    """Return the truth stated by the generator."""
    sys.path.insert(0, str(DEMO))
    try:
        from net_loft_side import SIDE_TRUTH  # type: ignore[import-not-found]
    finally:
        sys.path.remove(str(DEMO))
    return SIDE_TRUTH
