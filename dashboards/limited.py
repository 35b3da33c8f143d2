"""Runs an obdwatch command in this process with a limit on its memory, where the system has one: for strangers' files.

Started as `python -m dashboards.limited import FILE ...`. The process limits itself, because code between fork and exec
is not safe in a server with threads.
"""

from __future__ import annotations

import contextlib

from obdwatch.cli import main

MOST_MEMORY = 3_000_000_000  # bytes of address space; pandas alone takes half of it

if __name__ == "__main__":
    with contextlib.suppress(ImportError, OSError, ValueError):  # Windows has none; a lower limit may stand already
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))
    main()
