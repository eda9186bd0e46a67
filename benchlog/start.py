"""Where the program begins. Until a command runs, and once it has ended, Ctrl-C ends the program without a word:
Python's own answer is a traceback through whatever is being imported."""

import signal

__all__ = ["main"]

signal.signal(signal.SIGINT, signal.SIG_DFL)


def main() -> int:
    """Run the command line; returns the exit code."""
    from benchlog.cli import main as run

    try:
        return run(interruptible=_interruptible)
    finally:
        signal.signal(signal.SIGINT, signal.SIG_DFL)


def _interruptible() -> None:
    """From now on Ctrl-C is an exception, so that the command can close what it has open."""
    signal.signal(signal.SIGINT, signal.default_int_handler)
