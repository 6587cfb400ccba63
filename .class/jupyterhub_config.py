"""A class on one computer: each learner signs in with a name of their own choice and works on a copy of their own.

Once, in the folder of README.md, after `python3 -m solarlib show` has installed the lessons:

    .venv/bin/python -m pip install jupyterhub
    npm install -g configurable-http-proxy

Then `CLASS_PASSWORD=... .venv/bin/python -m jupyterhub -f .class/jupyterhub_config.py`, and learners open port 8000 of
this computer. Everybody who knows the password runs programs here, as the user who started it: a plain class like this
belongs on a network that you trust, and on a computer without anything private.
"""

import os
import shutil
import sys
from pathlib import Path

c = get_config()  # noqa: F821 - given by traitlets

PROJECT = Path(__file__).resolve().parents[1]
COPIES = Path(os.environ.get("CLASS_FOLDER", PROJECT / ".class" / "copies"))
LEARNER_BYTES = 0.5e9  # a learner with a lesson takes 0.37 GB at most as measured, one who opens two lessons more
NOT_COPIED = shutil.ignore_patterns(".*", "__pycache__", "tests", "teaching", "my-answers", "*.egg-info", "build")


def make_copy(spawner):
    """Give a learner lessons, data and library: a house that is put into this copy is found there and nowhere else."""
    copy = COPIES / spawner.user.name
    if not copy.exists():
        shutil.copytree(PROJECT, copy, ignore=NOT_COPIED)
    spawner.notebook_dir = str(copy)
    spawner.environment = {**spawner.environment, "PYTHONPATH": str(copy)}


COPIES.mkdir(parents=True, exist_ok=True)
c.JupyterHub.db_url = f"sqlite:///{COPIES / '.hub.sqlite'}"
c.JupyterHub.cookie_secret_file = str(COPIES / ".cookie-secret")
c.JupyterHub.spawner_class = "simple"  # one user of the computer for all
c.SimpleLocalProcessSpawner.home_dir_template = str(COPIES / "{username}")
c.Spawner.pre_spawn_hook = make_copy
c.Spawner.cmd = [sys.executable, "-m", "jupyterhub.singleuser"]
c.Spawner.default_url = "/doc/tree/notebooks/00-start-here.ipynb?view=page"
# who does nothing for an hour gives memory back; more learners than fit are told so instead of slowing all others
c.Spawner.args = ["--MappingKernelManager.cull_idle_timeout=3600", "--ServerApp.shutdown_no_activity_timeout=7200"]
c.JupyterHub.active_server_limit = int(os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / LEARNER_BYTES)

c.JupyterHub.authenticator_class = "dummy"
c.DummyAuthenticator.password = os.environ.get("CLASS_PASSWORD") or sys.exit(
    "Set CLASS_PASSWORD, the password of the class."
)
c.Authenticator.allow_all = True
c.Authenticator.username_pattern = "[a-z0-9-]{1,20}"  # it names a folder
