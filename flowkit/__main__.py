"""``python -m flowkit`` and the command ``flowkit``."""

from __future__ import annotations

import os
import sys


def main() -> None:
    """Run the command; ``--version`` answers before anything heavy is loaded."""
    if sys.argv[1:] == ["--version"]:
        from flowkit.version import __version__

        print(f"flowkit {__version__}")
        return
    # The matrices here are small: numpy's pool of threads takes longer to start than it saves.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from flowkit.cli.app import run

    sys.exit(run(sys.argv[1:]))


if __name__ == "__main__":
    main()
