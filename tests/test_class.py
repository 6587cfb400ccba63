"""The recipe for a class, without a server: each learner gets a copy, and what they put into it is found there."""

import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest
from traitlets.config import Config

ROOT = Path(__file__).parents[1]
RECIPE = ROOT / ".class" / "jupyterhub_config.py"
pytestmark = pytest.mark.skipif(os.name != "posix", reason="a hub runs on Linux and macOS only")


def settings(folder, monkeypatch, password="spring"):
    """Run the recipe as the hub would; return its settings."""
    monkeypatch.setenv("CLASS_FOLDER", str(folder))
    monkeypatch.setenv("CLASS_PASSWORD", password)
    names = {"get_config": Config, "__file__": str(RECIPE)}
    exec(compile(RECIPE.read_text(encoding="utf-8"), str(RECIPE), "exec"), names)
    return names["c"]


def learner(name):
    return SimpleNamespace(user=SimpleNamespace(name=name), notebook_dir="", environment={"LANG": "C.UTF-8"})


def test_each_learner_has_a_copy_and_finds_an_own_house_only_there(tmp_path, monkeypatch):
    hub = settings(tmp_path, monkeypatch)
    spawners = [learner("ann"), learner("ben")]
    for spawner in spawners:
        hub.Spawner.pre_spawn_hook(spawner)
        copy = Path(spawner.notebook_dir)
        assert (copy / "notebooks" / "00-start-here.ipynb").is_file() and not (copy / ".venv").exists()
        assert not (copy / "notebooks" / "teaching").exists()  # the key of the exams
    houses = [Path(spawner.notebook_dir) / "data" / "houses" for spawner in spawners]
    own = (houses[0] / "two-storey.toml").read_text(encoding="utf-8")
    (houses[0] / "my-house.toml").write_text(own, encoding="utf-8")
    code = "from solarlib.house import read_house; print(read_house('my-house').place.name)"
    found = [
        subprocess.run(
            [sys.executable, "-c", code],
            cwd=Path(spawner.notebook_dir) / "notebooks",
            env={**os.environ, **spawner.environment},
            capture_output=True,
            encoding="utf-8",
            timeout=120,
        )
        for spawner in spawners
    ]
    assert found[0].returncode == 0 and found[0].stdout.strip(), found[0].stderr
    assert found[1].returncode != 0 and "found nothing at 'my-house'" in found[1].stderr

    hub.Spawner.pre_spawn_hook(spawners[0])  # the next day: what the learner changed is still there
    assert (houses[0] / "my-house.toml").exists()


def test_a_class_has_a_password_and_names_that_are_folders(tmp_path, monkeypatch):
    hub = settings(tmp_path, monkeypatch)
    assert hub.DummyAuthenticator.password == "spring" and hub.Authenticator.username_pattern == "[a-z0-9-]{1,20}"
    assert hub.JupyterHub.active_server_limit >= 1
    with pytest.raises(SystemExit, match="CLASS_PASSWORD"):
        settings(tmp_path, monkeypatch, password="")
