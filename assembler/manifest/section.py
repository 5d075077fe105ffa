"""The base class of all sections of the manifest, and of those that name sound files."""

from __future__ import annotations

from typing import Self

from pydantic import BaseModel, ConfigDict, model_validator

from assembler.manifest.values import Line, refusal


class Section(BaseModel):
    """A section of the manifest: frozen; unknown keys are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)


class SoundFiles(Section):
    """A recording: one file, or one mono file per channel."""

    file: Line | None = None
    """The file."""
    left: Line | None = None
    """The left channel, a mono file."""
    right: Line | None = None
    """The right channel, a mono file."""

    @model_validator(mode="after")
    def _file_or_pair(self) -> Self:
        pair = self.left is not None and self.right is not None
        if (self.file is not None) == pair or (self.file and (self.left or self.right)):
            raise refusal("bad-audio", "name one file, or both `left` and `right`")
        return self

    @property
    def paths(self) -> tuple[str, ...]:
        """The file, or left and right."""
        return tuple(path for path in (self.file, self.left, self.right) if path is not None)
