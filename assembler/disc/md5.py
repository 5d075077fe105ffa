"""MD5SUMS of a disc's folder, in the form that ``md5sum -c`` reads (GNU coreutils).

Plants ask for MD5 to find errors of a transfer; SHA256SUMS of the release detects forgery too.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path

from assembler.cancel import check_cancelled

MD5SUMS = "MD5SUMS"
_BLOCK_BYTES = 1 << 20


def file_md5(path: Path) -> str:
    """Return the MD5 (RFC 1321) of a file, in hexadecimal digits.

    Raises
    ------
    OSError
        The file can't be read.
    """
    md5 = hashlib.md5(usedforsecurity=False)
    with path.open("rb") as file:
        while block := file.read(_BLOCK_BYTES):
            check_cancelled()
            md5.update(block)
    return md5.hexdigest()


def md5_text(digests: Mapping[str, str]) -> str:
    """Return the content of `MD5SUMS`: digests by path in the disc's folder."""
    return "".join(f"{digest}  {name}\n" for name, digest in sorted(digests.items()))
