"""The tests on every Python that is found, and on the oldest one with the oldest dependencies.

By hand: python tests/other_pythons.py [-k EXPRESSION] [--only "3.11 oldest"]
"""

from __future__ import annotations

import argparse
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import tomllib
import xml.etree.ElementTree as ET
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
OLDEST = tuple(map(int, re.findall(r"\d+", PROJECT["requires-python"])))
ABOUT = (
    "import json, sys, ensurepip, venv;"
    "print(json.dumps([list(sys.version_info[:3]), sys.version_info.releaselevel]))"
)


def candidates():
    """Every command that may be a Python: of the path, of pyenv, of the launcher of Windows."""
    name = re.compile(r"python(3(\.\d+)?)?(\.exe)?")
    for folder in os.get_exec_path():
        if Path(folder).is_dir():
            yield from (f for f in sorted(Path(folder).iterdir()) if name.fullmatch(f.name))
    pyenv = Path(os.environ.get("PYENV_ROOT", Path.home() / ".pyenv")) / "versions"
    yield from sorted(pyenv.glob("*/bin/python"))
    if shutil.which("py"):
        listed = subprocess.run(["py", "-0p"], capture_output=True, text=True, check=False).stdout
        yield from (Path(path) for path in re.findall(r"\S:\\.*\.exe", listed))


def found_pythons():
    """The newest of each version that is new enough, and why the others are left out."""
    newest, left_out, seen = {}, {}, set()
    for path in candidates():
        if path.resolve() in seen or "shims" in path.parts:
            continue
        seen.add(path.resolve())
        asked = subprocess.run([path, "-c", ABOUT], capture_output=True, text=True, check=False)
        if asked.returncode:
            said = (asked.stderr.strip().splitlines() or ["no word of why"])[-1]
            left_out[path] = f"can't make an environment: {said}"
            continue
        version, level = json.loads(asked.stdout)
        words = ".".join(map(str, version))
        if tuple(version) < OLDEST:
            left_out[path] = f"{words} is older than {PROJECT['requires-python']}"
        elif level != "final":
            left_out[path] = f"{words} is no release"
        else:
            other = newest.get(tuple(version[:2]))
            if other is None or other[0] < version:
                newest[tuple(version[:2])] = version, path
                path = other and other[1]  # the one that gives way
            if path is not None:
                left_out[path] = f"{'.'.join(map(str, version[:2]))} is run by another"
    return dict(sorted(newest.items())), left_out


def oldest_versions():
    """The lower bound of each requirement as the version to take; those without one are free."""
    extras = PROJECT["optional-dependencies"]
    asked = [*PROJECT["dependencies"], *extras["test"]]
    for requirement in extras["test"]:
        if own := re.fullmatch(rf"{PROJECT['name']}\[(.*)\]", requirement):
            asked += [each for extra in own[1].split(",") for each in extras[extra]]
    bounds = (re.fullmatch(r"([\w-]+)(?:\[.*\])?>=([\w.]+)", requirement) for requirement in asked)
    return [f"{bound[1]}=={bound[2]}" for bound in bounds if bound]


def run_in(folder, python, pins, options):
    """Make an environment, install the project with what its tests need, run them."""
    binaries = folder / ("Scripts" if os.name == "nt" else "bin")
    pinned = folder / "oldest.txt"
    log = folder.with_name(f"{folder.name}.log")
    results = folder.with_name(f"{folder.name}.xml")
    results.unlink(missing_ok=True)
    with log.open("w", encoding="utf-8") as told:

        def call(*words):
            return subprocess.run(words, stdout=told, stderr=told, cwd=ROOT, check=False).returncode

        if call(python, "-m", "venv", "--clear", folder):
            return f"no environment, see {log}"
        pinned.write_text("\n".join(pins), encoding="utf-8")
        pip = (binaries / "python", "-m", "pip", "--quiet", "--disable-pip-version-check")
        if call(*pip, "install", "--editable", ".[test]", "--constraint", pinned):
            return f"not installed, see {log}"
        chosen = ["-k", options.k] if options.k else []
        call(binaries / "python", "-m", "pytest", "-q", "-p", "no:cacheprovider",
             "-n", options.processes, f"--junitxml={results}", *chosen)  # fmt: skip
    if not results.exists():
        return f"tests not run, see {log}"
    return ET.parse(results).getroot().find("testsuite").attrib


def main():
    """Run what was asked for, then say what was run and what was not, and why."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("-k", metavar="EXPRESSION", help="only the tests that pytest -k chooses")
    parser.add_argument("--only", metavar="NAME", help="one environment, like: 3.11 oldest")
    parser.add_argument("--processes", default="auto", help="of pytest, as in -n")
    parser.add_argument("--folder", type=Path, help="where environments and logs are kept")
    options = parser.parse_args()
    folder = options.folder or Path(tempfile.mkdtemp(prefix="pythons-"))
    folder = folder.resolve()
    folder.mkdir(exist_ok=True)
    pythons, left_out = found_pythons()
    runs = [(version, path, []) for version, (_, path) in pythons.items()]
    runs += [(OLDEST, path, oldest_versions()) for version, path, _ in runs if version == OLDEST]
    rows, missing, failed = [], [f"{path}: {why}" for path, why in left_out.items()], False
    if OLDEST not in pythons:
        wanted = ".".join(map(str, OLDEST))
        missing.append(f"oldest dependencies: there is no usable Python {wanted}")
    for version, path, pins in runs:
        name = ".".join(map(str, version))
        about = f"{name} {'oldest' if pins else 'newest'}"
        if options.only not in (None, about):
            missing.append(f"{about}: not asked for")
            continue
        print(f"{about}: {path}", file=sys.stderr, flush=True)
        told = run_in(folder / about.replace(" ", "-"), path, pins, options)
        if isinstance(told, str):
            missing.append(f"{about}: {told}")
            failed = True
            continue
        wrong, left = int(told["failures"]) + int(told["errors"]), int(told["skipped"])
        done = int(told["tests"]) - wrong - left
        rows.append((about, done, wrong, left, f"{float(told['time']):.0f}"))
        failed = failed or wrong > 0 or done == 0
    print(f"{'Python, packages':18}{'passed':>8}{'failed':>8}{'skipped':>9}{'s':>7}")
    for about, *numbers in rows:
        print("{:18}{:>8}{:>8}{:>9}{:>7}".format(about, *numbers))
    chosen = f"tests that match {options.k!r}" if options.k else "every test that is collected"
    print(f"Run: {chosen}; logs in {folder}")
    print("Not run:", *(missing or ["nothing that was found"]), sep="\n  ")
    return 1 if failed or not rows else 0


if __name__ == "__main__":
    raise SystemExit(main())
