"""Where the program begins. Until a command runs, and once it has ended, Ctrl-C ends the program without a word:
Python's own answer is a traceback through whatever is being imported."""

import gc

# The part of `signal` written in C is there at once; the module itself takes milliseconds, in which Ctrl-C would show.
from _signal import SIG_DFL, SIGINT, default_int_handler, signal  # type: ignore[import-not-found]

signal(SIGINT, SIG_DFL)


def main() -> int:
    """Run the command line; returns the exit code."""
    from benchlog.cli import main as run

    try:
        return run(interruptible=_interruptible)
    finally:
        signal(SIGINT, SIG_DFL)
        # Python looks for garbage several times as it ends, which would take longer than a short command.
        gc.freeze()


def _interruptible() -> None:
    """From now on Ctrl-C is an exception, so that the command can close what it has open."""
    signal(SIGINT, default_int_handler)
