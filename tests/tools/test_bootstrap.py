"""The bootstrap on machines that lack something: it brings it or names it, and leaves nothing half made."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from coop import bootstrap

SCRIPT = Path(bootstrap.__file__)


class Machine:
    """A machine of the test's own making: what is on it, and which commands were run on it."""

    def __init__(self, monkeypatch, *, programs=("apt-get",), root=True, ensurepip=True, libraries=True):
        self.programs, self.root, self.ensurepip, self.libraries = set(programs), root, ensurepip, libraries
        self.ran: list[list[str]] = []
        self.fails: list[str] = []  # words: a command that has all of one of these lines' words fails
        monkeypatch.setattr(bootstrap.shutil, "which", lambda name: f"/bin/{name}" if name in self.programs else None)
        monkeypatch.setattr(bootstrap.os, "geteuid", lambda: 0 if self.root else 1000)
        monkeypatch.setattr(bootstrap, "can_make_environments", lambda: self.ensurepip)
        monkeypatch.setattr(bootstrap, "_loads", lambda library: self.libraries)
        monkeypatch.setattr(bootstrap, "_works", lambda env, uv: (env / "bin" / "python").exists())
        monkeypatch.setattr(bootstrap.sys, "base_prefix", "/usr")
        monkeypatch.setattr(bootstrap.sys, "executable", os.path.realpath("/usr/bin/python3"))
        monkeypatch.setattr(bootstrap, "run", self.run)

    def run(self, command, **environment):
        self.ran.append(command)
        line = " ".join(command)
        if " venv " in line:
            env = Path(command[-1])
            (env / "bin").mkdir(parents=True)
            (env / "pyvenv.cfg").touch()
        if any(all(word in line for word in words.split()) for words in self.fails):
            raise bootstrap.Failed(line)
        if " venv " in line:
            (Path(command[-1]) / "bin" / "python").touch()
        if "apt-get" in line and "install" in command:
            self.ensurepip = self.ensurepip or any("venv" in word for word in command)
            self.libraries = self.libraries or "libpango-1.0-0" in command
            self.programs |= {"chromium"} & set(command)

    def lines(self, word):
        return [" ".join(command) for command in self.ran if word in " ".join(command)]


@pytest.fixture
def machine(monkeypatch):
    return lambda **traits: Machine(monkeypatch, **traits)


@pytest.fixture
def env(tmp_path):
    return tmp_path / ".venv"


def test_a_bare_machine_gets_an_environment_and_its_stamp(machine, env):
    bare = machine()
    bootstrap.main([str(env)])
    assert (env / ".ready").exists()
    assert not (env / ".ready-dev").exists()
    assert bare.lines("pip install")[0].endswith("requirements.txt")
    assert not bare.lines("apt-get")


def test_dev_installs_the_longer_list_and_counts_for_both(machine, env):
    bare = machine()
    bootstrap.main([str(env), "--dev"])
    assert (env / ".ready").exists()
    assert (env / ".ready-dev").exists()
    assert bare.lines("pip install")[0].endswith("requirements-dev.txt")


def test_uv_is_used_where_it_is_and_needs_no_ensurepip(machine, env):
    fast = machine(programs=("apt-get", "uv"), ensurepip=False)
    bootstrap.main([str(env)])
    assert [line.split()[1] for line in fast.lines("/bin/uv")] == ["venv", "pip"]
    assert not fast.lines("apt-get")


def test_where_uv_fails_pip_does_it(machine, env):
    fast = machine(programs=("uv",))
    fast.fails = ["/bin/uv pip"]
    bootstrap.main([str(env)])
    assert (env / ".ready").exists()
    assert fast.lines("-m pip install")


def test_root_gets_the_missing_venv_package_and_the_rest_goes_on(machine, env):
    bare = machine(ensurepip=False)
    bootstrap.main([str(env)])
    assert bare.lines("apt-get")[0].endswith("install -y --no-install-recommends python3-venv")
    assert (env / ".ready").exists()


def test_stale_package_lists_are_brought_up_to_date_once(machine, env, monkeypatch):
    bare = machine(ensurepip=False)
    plain, first = bare.run, []

    def stale(command, **environment):
        if "install" in command and "apt-get" in command and not first:
            first.append(command)
            raise bootstrap.Failed("not found")
        plain(command, **environment)

    monkeypatch.setattr(bootstrap, "run", stale)
    bootstrap.main([str(env)])
    assert [line.split()[6:][0] for line in bare.lines("apt-get")] == ["update", "install"]
    assert (env / ".ready").exists()


def test_sudo_that_asks_for_no_password_is_used(machine, env, monkeypatch):
    bare = machine(programs=("apt-get", "sudo"), root=False, ensurepip=False)
    monkeypatch.setattr(bootstrap.subprocess, "run", lambda command, **how: subprocess.CompletedProcess(command, 0))
    bootstrap.main([str(env)])
    assert bare.lines("apt-get")[0].startswith("sudo -n env DEBIAN_FRONTEND=noninteractive apt-get")


@pytest.mark.parametrize("programs", [("apt-get",), ("apt-get", "sudo")])
def test_without_rights_the_exact_command_is_named_and_nothing_is_left(machine, env, monkeypatch, programs):
    bare = machine(programs=programs, root=False, ensurepip=False)
    monkeypatch.setattr(bootstrap.subprocess, "run", lambda command, **how: subprocess.CompletedProcess(command, 1))
    with pytest.raises(SystemExit, match="Run: sudo apt-get install -y python3-venv "):
        bootstrap.main([str(env)])
    assert not env.exists()
    assert not bare.ran


def test_a_python_that_apt_cannot_mend_is_named(machine, env, monkeypatch):
    bare = machine(ensurepip=False)
    monkeypatch.setattr(bootstrap.sys, "base_prefix", "/opt/python")
    with pytest.raises(SystemExit, match="name another Python: make PYTHON="):
        bootstrap.main([str(env)])
    assert not bare.ran


def test_an_old_python_is_refused_with_its_version(machine, env, monkeypatch):
    machine()
    monkeypatch.setattr(bootstrap.sys, "version_info", (3, 9, 2))
    with pytest.raises(SystemExit, match=r"3\.11 or newer is needed, this is 3\.9\.2"):
        bootstrap.main([str(env)])


@pytest.mark.parametrize("failing", ["-m venv", "-m pip install"])
def test_an_environment_that_fails_is_taken_away(machine, env, failing):
    bare = machine()
    bare.fails = [failing]
    with pytest.raises(SystemExit, match="could not be installed"):
        bootstrap.main([str(env)])
    assert not env.exists()


def test_an_interrupt_takes_the_half_made_environment_away(machine, env, monkeypatch):
    machine()

    def interrupted(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(bootstrap, "_install", interrupted)
    with pytest.raises(KeyboardInterrupt):
        bootstrap.main([str(env)])
    assert not env.exists()


def test_a_half_made_environment_is_made_anew(machine, env):
    bare = machine()
    (env / "bin").mkdir(parents=True)
    (env / "pyvenv.cfg").touch()
    (env / "leftover").touch()
    bootstrap.main([str(env)])
    assert (env / ".ready").exists()
    assert not (env / "leftover").exists()
    assert bare.lines("-m venv")


def test_a_whole_environment_is_updated_not_made_anew(machine, env):
    bare = machine()
    bootstrap.main([str(env)])
    (env / "kept").touch()
    bare.ran.clear()
    bootstrap.main([str(env)])
    assert (env / "kept").exists()
    assert not bare.lines("-m venv")


def test_a_failed_update_keeps_the_environment_and_takes_its_stamp(machine, env):
    bare = machine()
    bootstrap.main([str(env)])
    bare.fails = ["-m pip install"]
    with pytest.raises(SystemExit, match="could not be installed"):
        bootstrap.main([str(env)])
    assert (env / "bin" / "python").exists()
    assert not (env / ".ready").exists()


def test_a_folder_that_is_no_environment_is_left_alone(machine, env):
    bare = machine()
    env.mkdir()
    (env / "glaze-notes.txt").write_text("celadon")
    with pytest.raises(SystemExit, match="not a Python environment; move it away"):
        bootstrap.main([str(env)])
    assert (env / "glaze-notes.txt").read_text() == "celadon"
    assert not bare.ran


def test_missing_pdf_libraries_are_installed_by_root(machine, env):
    bare = machine(libraries=False)
    bootstrap.main([str(env)])
    assert "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 fonts-dejavu-core" in bare.lines("apt-get")[0]


def test_missing_pdf_libraries_are_named_and_everything_else_goes_on(machine, env, capsys):
    machine(libraries=False, root=False)
    bootstrap.main([str(env)])
    assert (env / ".ready").exists()
    assert "PDFs stay off until you run: sudo apt-get install -y libpango-1.0-0" in capsys.readouterr().err


def test_a_failing_apt_is_no_reason_to_stop_for_pdfs(machine, env, capsys):
    bare = machine(libraries=False)
    bare.fails = ["apt-get install"]
    bootstrap.main([str(env)])
    assert (env / ".ready").exists()
    assert "PDFs stay off until you run: apt-get install" in capsys.readouterr().err


def test_a_browser_is_installed_once(machine):
    bare = machine()
    bootstrap.main(["--browser"])
    bootstrap.main(["--browser"])
    assert len(bare.lines("apt-get")) == 1


def test_without_rights_the_browser_is_named_and_the_tests_go_on(machine, capsys):
    machine(root=False)
    bootstrap.main(["--browser"])
    assert "browser tests are skipped until you run: sudo apt-get install -y chromium" in capsys.readouterr().err


def test_a_library_that_is_not_there_counts_as_missing(monkeypatch):
    monkeypatch.setattr(bootstrap, "PDF_LIBRARIES", ("libc.so.6", "libno-such-kiln.so.1"))
    assert bootstrap.missing_for_pdf() == ["libno-such-kiln.so.1"]


def test_a_real_python_without_ensurepip_is_noticed(tmp_path):
    (tmp_path / "ensurepip-less.py").write_text(
        "import sys, importlib.util as u; real = u.find_spec\n"
        "u.find_spec = lambda name, *a: None if name == 'ensurepip' else real(name, *a)\n"
        f"sys.path.insert(0, {str(SCRIPT.parent.parent)!r}); from coop import bootstrap\n"
        "bootstrap.shutil.which = lambda name: None\n"
        f"bootstrap.main([{str(tmp_path / 'env')!r}])\n"
    )
    done = subprocess.run([sys.executable, "-I", tmp_path / "ensurepip-less.py"], capture_output=True, text=True)
    assert done.returncode == 1
    assert "cannot make virtual environments: it lacks ensurepip" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert not (tmp_path / "env").exists()


def test_run_from_its_folder_it_does_not_take_our_celery_module_for_the_package(tmp_path):
    done = subprocess.run([sys.executable, "-I", SCRIPT, "--help"], capture_output=True, text=True, cwd=SCRIPT.parent)
    assert done.returncode == 0
    assert "--browser" in done.stdout


@pytest.mark.slow
def test_a_real_environment_is_made_from_an_empty_list(tmp_path, monkeypatch):
    (tmp_path / "requirements.txt").write_text("")
    monkeypatch.setattr(bootstrap, "HERE", tmp_path)
    monkeypatch.setattr(bootstrap, "want_pdf", lambda: True)
    env = tmp_path / ".venv"
    bootstrap.main([str(env)])
    assert (env / ".ready").exists()
    assert bootstrap._works(env, None)
