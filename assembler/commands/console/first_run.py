"""Announce on a new machine that the first use of compiled loops takes longer."""

from __future__ import annotations

from assembler.commands.console.terminal import say


def say_if_compiling() -> None:
    """Print a line on standard error where the signal-processing code is yet to be compiled."""
    from assembler.dsp.kernel_cache import compiles_first

    if compiles_first():
        message = "first run on this machine: compiling the signal processing takes about 20 s more"
        say(message, stderr=True)
