"""Runs an obdwatch command in this process with a limit on its memory, where the system has one: for strangers' files.

Started as `python -m dashboards.limited BYTES import FILE ...`. The process limits itself, because code between
fork and exec is not safe in a server with threads.
"""

from __future__ import annotations

import contextlib
import sys

from obdwatch.cli import main

if __name__ == "__main__":
    most = int(sys.argv.pop(1))  # bytes of address space
    with contextlib.suppress(ImportError, OSError, ValueError):  # Windows has none; a lower limit may stand already
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (most, most))
    main()
