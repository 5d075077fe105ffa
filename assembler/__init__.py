"""One YAML manifest in, a finished release out.

What a script may use::

    from assembler import load, check, build

    manifest = load("songs.yaml")
    report = check(manifest)
    if report.ok:
        build(manifest)
"""

from __future__ import annotations

TYPE_CHECKING = False  # not from typing, whose import takes longer than everything else here
__version__ = "0.1.0"
__all__ = ["AssemblerError", "Finding", "FindingsError", "build", "check", "load", "verify"]

if TYPE_CHECKING:
    from assembler.errors import AssemblerError, FindingsError
    from assembler.findings import Finding
    from assembler.manifest import load
    from assembler.preflight.check import check
    from assembler.release.building import build
    from assembler.verification.verify import verify

_HOMES = {
    "AssemblerError": "assembler.errors",
    "Finding": "assembler.findings",
    "FindingsError": "assembler.errors",
    "build": "assembler.release.building",
    "check": "assembler.preflight.check",
    "load": "assembler.manifest",
    "verify": "assembler.verification.verify",
}


def __getattr__(name: str) -> object:
    """Import a public name when it is first used: a check needs none of the sound rooms."""
    if name not in _HOMES:
        raise AttributeError(f"module 'assembler' has no attribute {name!r}")
    from importlib import import_module

    found: object = getattr(import_module(_HOMES[name]), name)
    return found
