"""How much memory there is, and whether exports of a size fit in it."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

# Exports that would take more than this share of the memory are audited in parts.
MEMORY_SHARE = 0.5
# Memory that an audit at once takes, as measured, in bytes for each byte of text read.
PEAK_PER_BYTE = 12
# Bytes of text that a byte of a packed file stands for.
PACKED = {".csv": 1, ".tsv": 1, ".txt": 1}
PACKED_OTHERWISE = 8
LIMIT_OF_GROUP = Path("/sys/fs/cgroup/memory.max")


def memory_bytes() -> int:
    """Memory that this process may use: the machine's, or less where a limit is set."""
    known = [_machine_bytes(), _group_bytes(), _process_bytes()]
    return min(bytes_ for bytes_ in known if bytes_ > 0)


def _machine_bytes() -> int:
    try:
        return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, OSError, ValueError):
        # Where the system does not tell, a small machine is assumed.
        return 4 << 30


def _group_bytes() -> int:
    try:
        return int(LIMIT_OF_GROUP.read_text())
    except (OSError, ValueError):
        return 0


def _process_bytes() -> int:
    try:
        import resource
    except ImportError:
        return 0
    limit, _ = resource.getrlimit(resource.RLIMIT_AS)
    return 0 if limit == resource.RLIM_INFINITY else limit


def text_bytes(paths: Sequence[Path]) -> int:
    """About how many bytes of text the files hold, and those in the folders named."""
    files = [
        file
        for path in paths
        for file in (path.iterdir() if path.is_dir() else [path])
        if file.is_file()
    ]
    return sum(
        file.stat().st_size * PACKED.get(file.suffix.casefold(), PACKED_OTHERWISE) for file in files
    )


def are_larger_than_memory(paths: Sequence[Path]) -> bool:
    """Whether an audit of all at once would take more than its share of the memory.

    Files that are not there are left to the reading, which says so.
    """
    try:
        return text_bytes(paths) * PEAK_PER_BYTE > memory_bytes() * MEMORY_SHARE
    except OSError:
        return False
