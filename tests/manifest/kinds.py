"""Types of the fixtures of these tests."""

from __future__ import annotations

from collections.abc import Callable

from assembler import Finding
from assembler.manifest import ManifestFile

Loading = Callable[[str | bytes], ManifestFile]
Refusing = Callable[[str | bytes], list[Finding]]
