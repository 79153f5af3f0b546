"""Make the environment on a bare machine: `python3 -I coop/bootstrap.py .venv`; standard library only."""

# Kept to syntax that older Pythons parse, so that they too can say what is wrong.
from __future__ import annotations

import argparse
import contextlib
import ctypes
import ctypes.util
import importlib
import importlib.util
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from typing import NoReturn

HERE = Path(__file__).resolve().parent.parent
OLDEST = (3, 11)
PDF_LIBRARIES = ("libpango-1.0.so.0", "libpangoft2-1.0.so.0", "libharfbuzz-subset.so.0")
PDF_PACKAGES = ("libpango-1.0-0", "libpangoft2-1.0-0", "libharfbuzz-subset0", "fonts-dejavu-core")
BROWSERS = ("chromium", "chromium-browser", "google-chrome")
STAMP, DEV_STAMP = ".ready", ".ready-dev"


class Failed(Exception):
    """A command did not succeed; its own output has said why."""


def say(text: str) -> None:
    print(f"bootstrap: {text}", file=sys.stderr, flush=True)


def stop(text: str) -> NoReturn:
    sys.exit(f"bootstrap: {text}")


def run(command: list[str], **environment: str) -> None:
    """Run a command to its end, or raise Failed. What would bend pip or Python from outside is left out."""
    bent = ("PYTHONPATH", "PYTHONHOME", "PIP_USER", "PIP_TARGET", "PIP_PREFIX", "VIRTUAL_ENV")
    clean = {name: value for name, value in os.environ.items() if name not in bent}
    try:
        done = subprocess.run(command, env={**clean, **environment}, stdin=subprocess.DEVNULL)  # noqa: S603
    except OSError as problem:
        raise Failed(str(problem)) from problem
    if done.returncode:
        raise Failed(f"{command[0]} ended with {done.returncode}")


# --- System packages ------------------------------------------------------------------------


def _as_root() -> list[str] | None:
    """What to put before a command so that root runs it; None where that cannot be had without asking."""
    if os.geteuid() == 0:
        return []
    if shutil.which("sudo"):
        asked = subprocess.run(["sudo", "-n", "true"], capture_output=True, stdin=subprocess.DEVNULL)  # noqa: S607
        if asked.returncode == 0:
            return ["sudo", "-n"]
    return None


def apt_command(*packages: str) -> str:
    """The line a person types to install these packages."""
    return ("" if os.geteuid() == 0 else "sudo ") + "apt-get install -y " + " ".join(packages)


def apt_install(*packages: str) -> bool:
    """Install system packages where that can be done without asking anybody; False where it cannot."""
    root = _as_root()
    if not shutil.which("apt-get") or root is None:
        return False
    apt = [*root, "env", "DEBIAN_FRONTEND=noninteractive", "apt-get", "-q", "-o", "DPkg::Lock::Timeout=180"]
    install = [*apt, "install", "-y", "--no-install-recommends", *packages]
    say("installing system packages: " + " ".join(packages))
    with contextlib.suppress(Failed):
        run(install)
        return True
    try:  # a new machine has no package lists, an old one has stale ones
        run([*apt, "update"])
        run(install)
    except Failed:
        return False
    return True


# --- The environment ------------------------------------------------------------------------


def can_make_environments() -> bool:
    """Whether this Python brings venv with pip (Debian ships that as a package of its own)."""
    importlib.invalidate_caches()
    return bool(importlib.util.find_spec("venv") and importlib.util.find_spec("ensurepip"))


def _venv_package() -> str:
    """Debian's package that lets this Python make environments."""
    if Path("/usr/bin/python3").resolve() == Path(sys.executable).resolve():
        return "python3-venv"
    return f"python{sys.version_info[0]}.{sys.version_info[1]}-venv"


def need_venv() -> None:
    """Make sure that this Python can make environments, or stop and say exactly what to run."""
    if can_make_environments():
        return
    here = f"this Python ({sys.executable}) cannot make virtual environments"
    if sys.base_prefix != "/usr" or not shutil.which("apt-get"):
        stop(f"{here}: it lacks ensurepip. Install that, or name another Python: make PYTHON=/usr/bin/python3")
    package = _venv_package()
    if apt_install(package) and can_make_environments():
        return
    stop(f"{here}. Run: {apt_command(package)}  - then make again")


def _works(env: Path, uv: str | None) -> bool:
    """Whether this is a whole environment into which packages can be installed."""
    python = env / "bin" / "python"
    asks = ("" if uv else "import pip; ") + "import sys; sys.exit(sys.version_info < (3, 11))"
    try:
        asked = subprocess.run([str(python), "-I", "-c", asks], capture_output=True, stdin=subprocess.DEVNULL)  # noqa: S603
    except OSError:
        return False
    return asked.returncode == 0


def _make(env: Path, uv: str | None) -> None:
    """Make the bare environment; uv where there is one, else venv with pip."""
    if uv:
        run([uv, "venv", "--quiet", "--python", sys.executable, str(env)])
    else:
        run([sys.executable, "-I", "-m", "venv", str(env)])


def _install(env: Path, requirements: Path, uv: str | None) -> None:
    """Bring the environment to what the file lists."""
    python = str(env / "bin" / "python")
    if uv:
        run([uv, "pip", "install", "--quiet", "--python", python, "-r", str(requirements)])
    else:
        run(
            [python, "-m", "pip", "install", "-qq", "--no-input", "-r", str(requirements)],
            PIP_DISABLE_PIP_VERSION_CHECK="1",
            PIP_ROOT_USER_ACTION="ignore",
        )


def _fill(env: Path, requirements: Path, uv: str | None) -> None:
    """Make the environment if there is none and install into it; a new one that fails is taken away again."""
    if env.exists() and not _works(env, uv):
        say(f"{env.name} is not whole; making it anew")
        shutil.rmtree(env)
    is_new = not env.exists()
    try:
        if is_new:
            _make(env, uv)
        _install(env, requirements, uv)
    except BaseException:
        if is_new:
            shutil.rmtree(env, ignore_errors=True)
        raise


def make_environment(env: Path, *, dev: bool) -> None:
    """Make or update the environment and leave a stamp in it once it is whole.

    Afterwards ``env`` is whole and stamped; or, when it could not be made, not there at all; or, when
    an older one could not be updated, as pip left it and without a stamp, so that the next run tries again.
    """
    if env.is_symlink() or (env.exists() and not env.is_dir()):
        stop(f"{env} is not a folder; move it away and run make again")
    if env.is_dir() and any(env.iterdir()) and not (env / "pyvenv.cfg").exists():
        stop(f"{env} holds something that is not a Python environment; move it away and run make again")
    requirements = HERE / ("requirements-dev.txt" if dev else "requirements.txt")
    stamps = [env / STAMP, env / DEV_STAMP] if dev else [env / STAMP]
    for stamp in stamps:
        with contextlib.suppress(FileNotFoundError):
            stamp.unlink()
    uv = shutil.which("uv")
    say(f"making {env.name} from {requirements.name} with {'uv' if uv else 'pip'}; pip takes about a minute")
    try:
        _fill(env, requirements, uv)
    except Failed:
        if not uv:
            stop(f"{requirements.name} could not be installed; the lines above say why. Then run make again")
        say("uv could not do it; trying pip")
        need_venv()
        try:
            _fill(env, requirements, None)
        except Failed:
            stop(f"{requirements.name} could not be installed; the lines above say why. Then run make again")
    for stamp in stamps:
        stamp.touch()


# --- What is good to have -------------------------------------------------------------------


def _loads(library: str) -> bool:
    try:
        ctypes.CDLL(library)
    except OSError:
        stem = library.split(".so")[0][len("lib") :]
        return sys.platform != "linux" and ctypes.util.find_library(stem) is not None
    return True


def missing_for_pdf() -> list[str]:
    """The libraries that PDFs need and this machine lacks."""
    return [library for library in PDF_LIBRARIES if not _loads(library)]


def pdf_advice() -> str:
    """What to run so that PDFs can be made."""
    if shutil.which("apt-get"):
        return f"PDFs stay off until you run: {apt_command(*PDF_PACKAGES)}"
    return "PDFs stay off until Pango and HarfBuzz with its subset library are installed"


def want_pdf() -> bool:
    """Bring what PDFs need where that can be done, else say what to run; everything else goes on."""
    if not missing_for_pdf():
        return True
    if apt_install(*PDF_PACKAGES) and not missing_for_pdf():
        return True
    say(pdf_advice())
    return False


def want_browser() -> bool:
    """Bring a browser for the browser tests where that can be done, else say what to run."""
    if any(shutil.which(name) for name in BROWSERS):
        return True
    if apt_install("chromium") and shutil.which("chromium"):
        return True
    advice = apt_command("chromium") if shutil.which("apt-get") else "your system's installer for Chromium"
    say(f"browser tests are skipped until you run: {advice}")
    return False


def main(arguments: list[str] | None = None) -> None:
    """Do what the command line asks; stops with one sentence when it cannot."""
    if sys.version_info < OLDEST:
        version = ".".join(str(part) for part in sys.version_info[:3])
        stop(f"Python 3.11 or newer is needed, this is {version}; name another: make PYTHON=/path/to/python3")
    parser = argparse.ArgumentParser(prog="bootstrap", description=__doc__)
    parser.add_argument("env", nargs="?", type=Path, help="folder of the environment, usually .venv")
    parser.add_argument("--dev", action="store_true", help="with what building and testing needs")
    parser.add_argument("--browser", action="store_true", help="see that the browser tests have a browser")
    asked = parser.parse_args(arguments)
    if asked.env is None and not asked.browser:
        parser.error("name the folder of the environment, usually .venv")
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))  # so that a half-made environment is taken away
    if asked.env is not None:
        if not shutil.which("uv"):
            need_venv()
        make_environment(asked.env.absolute(), dev=asked.dev)
        want_pdf()
    if asked.browser:
        want_browser()


if __name__ == "__main__":
    try:
        main()
    except KeyboardInterrupt:
        stop("stopped; nothing half-made was left")
