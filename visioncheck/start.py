"""Entry point of the installed command; it loads nothing that takes time before a signal can be answered."""

from __future__ import annotations

import io
import os
import signal
import sys

_SAID = b"visioncheck: stopped\n"


def run() -> None:
    """Run the command line of this process; ends the process."""
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, _stop_at_once)
    # the matrices are small: threads would only wait for each other; read when the numerics are imported
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

    for descriptor in range(3):
        _keep_open(descriptor)
    # signs that the terminal's own coding lacks are no reason to fail
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    if not os.environ.get("COLUMNS", "80").strip("0"):  # on a width of none nothing would be said
        del os.environ["COLUMNS"]
    from visioncheck.cli import finish_output, main
    from visioncheck.stopping import exit_code, ignore_signals, interrupt_on_signals

    try:
        interrupt_on_signals()
        code = main()
        code = finish_output() or code
    except KeyboardInterrupt:  # just before or after
        os.write(2, _SAID)
        code = exit_code() or 1
    ignore_signals()
    sys.exit(code)


def _keep_open(descriptor: int) -> None:
    """Where one of the three standard streams was closed, no file of ours may take its number."""
    try:
        os.fstat(descriptor)
    except OSError:
        os.open(os.devnull, os.O_RDWR)


def _stop_at_once(number: int, _: object) -> None:
    # while the program is being loaded there is nothing to put in order
    os.write(2, _SAID)
    os._exit(128 + number)


if __name__ == "__main__":
    run()
