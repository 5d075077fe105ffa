"""Entry point of the command line: what must be set up before the commands are imported.

Ctrl-C waits for the imports, file names are read as UTF-8, every standard stream is open, no
library's warning is shown, and the BLAS library starts no threads.
"""

from __future__ import annotations

import os
import signal
import sys
import warnings


def run() -> int:
    """Run the command that was typed.

    Returns
    -------
    int
        Its exit code.
    """
    interrupts = _Interrupts()
    _read_names_as_utf_8()
    # The filters are of the whole process, so threads must not change them.
    if not sys.warnoptions:
        warnings.simplefilter("ignore")
    # The work already runs in one thread per core: more of them wait for each other, and the sums
    # of a product would depend on their number. OpenBLAS reads this when numpy is imported.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from assembler.streams import standard_streams

    with standard_streams() as streams:
        from assembler.commands.main import main

        try:
            code = main(began=interrupts.let_through)
        except SystemExit as exit_:  # argparse's, after its help or a wrong option
            code = int(exit_.code or 0)
        interrupts.end()
    return streams.exit_code(code)


class _Interrupts:
    """Hold Ctrl-C back until it can be answered with a message."""

    def __init__(self) -> None:
        self._received = False
        self._before = signal.getsignal(signal.SIGINT)
        if self._before is signal.default_int_handler:  # else a shell asked to ignore it
            signal.signal(signal.SIGINT, self._hold)

    def _hold(self, _signal: int, _frame: object) -> None:
        self._received = True

    def _raise(self, _signal: int, _frame: object) -> None:
        signal.signal(signal.SIGINT, self._hold)
        raise KeyboardInterrupt

    def let_through(self) -> None:
        """Raise the Ctrl-C that was held back, or else the next one as soon as it is pressed.

        Any later one comes while the work is being cleaned up, and changes nothing.

        Raises
        ------
        KeyboardInterrupt
            Ctrl-C was pressed.
        """
        if self._received:
            raise KeyboardInterrupt
        if self._before is signal.default_int_handler:
            signal.signal(signal.SIGINT, self._raise)

    def end(self) -> None:
        """Let Ctrl-C end the process without a message: the command has printed its result."""
        if self._before is signal.default_int_handler:
            signal.signal(signal.SIGINT, signal.SIG_DFL)


def _read_names_as_utf_8() -> None:
    """Restart in Python's UTF-8 mode where the locale can't name every file (PEP 540).

    The terminal keeps its locale's encoding.
    """
    if sys.getfilesystemencoding() == "utf-8" or sys.flags.utf8_mode:
        return
    if sys.stdout is not None:
        os.environ.setdefault("PYTHONIOENCODING", sys.stdout.encoding)
    os.execv(sys.executable, [sys.executable, "-X", "utf8", *sys.orig_argv[1:]])
