"""The entry point, which is ready for Ctrl-C before anything large is imported."""

import signal
import sys

INTERRUPTED = 130
"""128 and the number of the signal, as shells have it."""


def main() -> None:
    """Run the command line; stopped while it loads, it ends at once and in silence."""
    try:
        from skyplumb.cli import main as run

        run()
    except KeyboardInterrupt:
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        sys.exit(INTERRUPTED)


if __name__ == "__main__":
    main()
