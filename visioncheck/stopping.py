"""Ctrl-C and a polite end (SIGTERM): one line, the usual exit code, and nothing left half done."""

from __future__ import annotations

import _thread
import signal
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from types import FrameType

SIGNALS = (signal.SIGINT, signal.SIGTERM)
_asked: int | None = None


class Terminated(KeyboardInterrupt):
    """SIGTERM; whatever puts things in order after Ctrl-C does so after this."""


def note(number: int | None) -> None:
    """Remember which signal asked the program to stop; None: a new run begins, which none did yet."""
    global _asked  # noqa: PLW0603 - signals come to the process, not to a call
    _asked = number


def exit_code() -> int | None:
    """What the shell expects of a program that a signal stopped, 128 and its number; None: none did."""
    return None if _asked is None else 128 + _asked


def interrupt(number: int, _: FrameType | None = None) -> None:
    """Handle a signal as Ctrl-C usually is, by an exception where the program stands."""
    note(number)
    raise Terminated if number == signal.SIGTERM else KeyboardInterrupt


def interrupt_on_signals() -> None:
    """Have both signals end the program in order; for the command's process alone, not for who imports this."""
    sys.unraisablehook = _again
    for number in SIGNALS:
        signal.signal(number, interrupt)


def ignore_signals() -> None:
    """Let the last steps of ending be: there is nothing to interrupt any more."""
    for number in SIGNALS:
        signal.signal(number, signal.SIG_IGN)


def _again(unraisable: sys.UnraisableHookArgs) -> None:
    """Python drops an exception in a finalizer or a callback: raise the interrupt again, where it is not dropped."""
    if issubclass(unraisable.exc_type, KeyboardInterrupt):
        _thread.interrupt_main(signal.SIGTERM if issubclass(unraisable.exc_type, Terminated) else signal.SIGINT)
    else:
        sys.__unraisablehook__(unraisable)
