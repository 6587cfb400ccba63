"""JupyterLab for these lessons: first lesson open, links to data and README work, no pop-ups, no second look needed.

The front door copies this folder into .venv/etc/jupyter, where `jupyter lab` of that environment finds it. Without
it (a class hub, Binder) the lessons run all the same; only this comfort is missing.
"""

import os
import warnings
from pathlib import Path

c = get_config()  # noqa: F821 - given by traitlets

environment = Path(__file__).resolve().parents[2]
project = environment.parent

if (project / "notebooks").is_dir() and "JUPYTERHUB_USER" not in os.environ:  # a hub has folders of its own
    c.ServerApp.root_dir = str(project)
    c.FileContentsManager.preferred_dir = "notebooks"
    c.LabApp.default_url = "/doc/tree/notebooks/00-start-here.ipynb"
# copied anew at every start from the front door: a closed sidebar, whatever the last session left open
c.LabApp.workspaces_dir = str(Path(__file__).resolve().parent / "workspaces")
c.LabApp.extra_labextensions_path = [str(Path(__file__).resolve().parent / "labextensions")]
os.environ.setdefault("PYTHONSTARTUP", str(Path(__file__).resolve().with_name("warm.py")))  # for the kernels

c.Application.log_level = 40  # errors; the front door tells the address
c.ServerApp.ip = "localhost"
c.ServerApp.use_redirect_file = False  # a browser that may not read hidden folders opens the address itself
c.ServerApp.allow_root = True  # containers: the server listens on this machine only and asks for its token
c.ServerApp.terminals_enabled = False
c.LabApp.news_url = None
c.LabApp.check_for_updates_class = "jupyterlab.NeverCheckForUpdate"
c.LabApp.extension_manager = "readonly"
c.LanguageServerManager.autodetect = False


def keep_pictures(model, **_):
    """Store pictures and words of a panel, not its live view: a view cannot come back without its kernel."""
    if model["type"] != "notebook" or model["content"]["nbformat"] != 4:
        return
    for cell in model["content"]["cells"]:
        for output in cell.get("outputs", []):
            output.get("data", {}).pop("application/vnd.jupyter.widget-view+json", None)
    model["content"]["metadata"].pop("widgets", None)


# the server applies its settings twice and would warn that the hook replaces itself
warnings.filterwarnings("ignore", message="Overriding existing pre_save_hook")
c.FileContentsManager.pre_save_hook = keep_pictures
