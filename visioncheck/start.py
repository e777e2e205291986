"""Entry point of the installed command; it loads nothing that takes time before a signal can be answered."""

from __future__ import annotations

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

    from visioncheck.cli import main
    from visioncheck.stopping import exit_code, ignore_signals, interrupt_on_signals

    try:
        interrupt_on_signals()
        code = main()
    except KeyboardInterrupt:  # just before or after
        os.write(2, _SAID)
        code = exit_code() or 1
    ignore_signals()
    sys.exit(code)


def _stop_at_once(number: int, _: object) -> None:
    # while the program is being loaded there is nothing to put in order
    os.write(2, _SAID)
    os._exit(128 + number)


if __name__ == "__main__":
    run()
