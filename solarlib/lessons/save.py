"""Execute lessons and store their outputs: `python3 -m solarlib save [NOTEBOOK...]`.

Only this tool writes outputs into the repository. What differs between two runs of the same code (widget ids,
times, versions) is left out, so a difference in git is a difference in what a learner sees.
"""

import os
import sys
import time
from pathlib import Path

import nbformat
from jupyter_client.kernelspec import KernelSpecManager
from jupyter_client.manager import AsyncKernelManager
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError, CellTimeoutError, DeadKernelError

NOTEBOOKS = Path(__file__).resolve().parents[2] / "notebooks"
CELL_TIMEOUT_S = 120
KERNEL = {"display_name": "Python 3", "language": "python", "name": "python3"}
DROPPED = ("application/vnd.jupyter.widget-view+json", "application/javascript")


class SaveError(Exception):
    """A lesson that cannot be stored: one line with notebook, cell and reason."""


def _place(path, index, cell):
    first_line = cell.source.strip().splitlines()[0] if cell.source.strip() else "(empty)"
    return f"{path.name}, cell {index + 1} ({first_line[:60]})"


def execute(notebook, folder):
    """Run all cells of a notebook in place, in a kernel of this very Python, with ``folder`` as working directory."""
    # no kernel folders: a "python3" of the user's own would otherwise win over this environment's
    kernels = AsyncKernelManager(kernel_name="python3", kernel_spec_manager=KernelSpecManager(kernel_dirs=[]))
    os.environ["SOLARLIB_ANSWERS"] = ""  # what a learner typed is not for the repository
    quiet = {"record_timing": False, "store_widget_state": False, "extra_arguments": ["--log-level=ERROR"]}
    run = {"timeout": CELL_TIMEOUT_S, "resources": {"metadata": {"path": str(folder)}}}
    NotebookClient(notebook, km=kernels, **run, **quiet).execute(cleanup_kc=True)


def normalise(notebook):
    """Leave out of an executed notebook, in place, all that two runs of the same code may differ in."""
    for cell in notebook.cells:
        cell.metadata.pop("execution", None)
        cell.metadata.pop("trusted", None)
        if cell.cell_type != "code":
            continue
        kept = []
        for output in cell.outputs:
            if "data" in output:
                for mime in DROPPED:
                    output["data"].pop(mime, None)
                if not output["data"]:
                    continue
            # how the kernel cuts printed text into pieces is a matter of time
            if kept and output.output_type == "stream" == kept[-1].output_type and output.name == kept[-1].name:
                kept[-1].text += output.text
                continue
            kept.append(output)
        cell.outputs = kept
    notebook.metadata = nbformat.from_dict({"kernelspec": KERNEL, "language_info": {"name": "python"}})
    notebook.nbformat, notebook.nbformat_minor = 4, 5


def save(path):
    """Execute one notebook and write it back; return whether the file changed.

    Raises
    ------
    SaveError
        If a cell fails, hangs or writes a warning; the file is then left as it was.
    """
    before = path.read_text(encoding="utf-8")
    notebook = nbformat.reads(before, as_version=4)
    nbformat.validate(notebook)
    try:
        execute(notebook, path.parent)
    except (CellExecutionError, CellTimeoutError, DeadKernelError) as error:
        running = [item for item in enumerate(notebook.cells) if item[1].cell_type == "code"]
        failed = [item for item in running if any(output.output_type == "error" for output in item[1].outputs)]
        started = [item for item in running if item[1].execution_count is not None]
        index, cell = (failed or started or running)[-1]
        reason = getattr(error, "evalue", "") or str(error).strip().splitlines()[-1]
        kind = getattr(error, "ename", type(error).__name__)
        raise SaveError(f"{_place(path, index, cell)}: {kind}: {reason}") from error
    for index, cell in enumerate(notebook.cells):
        for output in cell.get("outputs", []):
            if output.get("name") == "stderr":
                last_line = output.text.strip().splitlines()[-1]
                raise SaveError(f"{_place(path, index, cell)}: it writes a warning: {last_line}")
    normalise(notebook)
    nbformat.validate(notebook)
    after = nbformat.writes(notebook) + "\n"
    if after != before:
        half_done = path.with_suffix(".writing")
        half_done.write_text(after, encoding="utf-8", newline="\n")
        half_done.replace(path)
    return after != before


def main(names):
    """Save the named notebooks, or all lessons; return 0 if all went well."""
    paths = [Path(name) for name in names] or sorted(NOTEBOOKS.glob("[0-9]*.ipynb"))
    missing = [str(path) for path in paths if not path.is_file()]
    if missing or not paths:
        print(f"No such notebook: {', '.join(missing) or NOTEBOOKS}", file=sys.stderr)
        return 2
    failures = 0
    for path in paths:
        begin = time.perf_counter()
        print(f"{path.name} ...", end=" ", flush=True)
        try:
            changed = save(path)
        except SaveError as error:
            failures += 1
            print("FAILED")
            print(f"  {error}", file=sys.stderr)
        else:
            print(f"{'written' if changed else 'unchanged'} in {time.perf_counter() - begin:.1f} s")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
