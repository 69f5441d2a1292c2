"""Every benchmark: ``python tests/bench`` or ``python -m tests.bench``; with names, only those.

A part is a module beside this one with ``run() -> list[str]``, the lines it has to say.
"""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent


def main(names: list[str]) -> int:
    # Parts import one another and the invented recorders of tests/store by plain names.
    sys.path[:0] = [str(HERE), str(HERE.parent)]
    for path in sorted(HERE.glob("*.py")):
        if path.stem == "__main__" or (names and path.stem not in names):
            continue
        part = importlib.import_module(path.stem)
        if hasattr(part, "run"):
            print(f"\n{path.stem}: {part.__doc__.splitlines()[0]}", flush=True)
            for line in part.run():
                print(f"  {line}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
