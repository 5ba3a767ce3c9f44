"""``python -m bench [name ...]``: run every ``bench/bench_<name>.py`` (its ``run()`` prints its own table)."""

from __future__ import annotations

import sys
from importlib import import_module
from pathlib import Path


def main() -> int:
    names = sorted(path.stem.removeprefix("bench_") for path in Path(__file__).parent.glob("bench_*.py"))
    wanted = sys.argv[1:] or names
    unknown = [name for name in wanted if name not in names]
    if unknown:
        print(f"no such bench: {', '.join(unknown)}; there are: {', '.join(names)}")
        return 2
    for name in wanted:
        print(f"== {name}")
        import_module(f"bench.bench_{name}").run()
    return 0


if __name__ == "__main__":
    sys.exit(main())
