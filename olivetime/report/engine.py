"""A papermill engine that runs notebooks inside the worker's own process.

A kernel for each notebook costs more than most of the week's notebooks themselves: its start, its imports
and its farewell. A worker therefore keeps one interpreter shell and resets it between reports. Outputs are
the same as a kernel's (a test compares them); run with `engine="kernel"` to have the kernels.

One shell for each process is not a matter of taste: with a second one, display hooks of libraries stay with
the first and later notebooks lose their pictures without a word.
"""

from __future__ import annotations

import contextlib
from typing import Any

import nbformat
from IPython.core.displayhook import DisplayHook
from IPython.core.displaypub import DisplayPublisher
from IPython.core.interactiveshell import InteractiveShell
from traitlets.config import Config


class _Publisher(DisplayPublisher):
    """`display(...)` becomes an output of the running cell."""

    def publish(self, data, metadata=None, *, transient=None, update=False, **kwargs):  # noqa: ARG002
        self.shell.cell_outputs.append(
            nbformat.v4.new_output("display_data", data=dict(data), metadata=dict(metadata or {}))
        )


class _Hook(DisplayHook):
    """The value of a cell's last line becomes its execute_result."""

    def write_output_prompt(self):
        """Write nothing: pages have no prompts."""

    def write_format_data(self, format_dict, md_dict=None):
        self.shell.cell_outputs.append(
            nbformat.v4.new_output(
                "execute_result",
                data=dict(format_dict),
                metadata=dict(md_dict or {}),
                execution_count=self.shell.execution_count,
            )
        )

    def finish_displayhook(self):
        """Write nothing after a result either."""


class _Shell(InteractiveShell):
    """An interpreter that keeps what a cell shows in `cell_outputs`."""

    def __init__(self, **kwargs):
        self.cell_outputs: list[Any] = []
        super().__init__(**kwargs)
        self.display_pub.shell = self

    def _showtraceback(self, etype, evalue, stb):
        self.cell_outputs.append(
            nbformat.v4.new_output("error", ename=etype.__name__, evalue=str(evalue), traceback=list(stb))
        )


class _Stream:
    """Text written by a cell, kept in the order of its other outputs."""

    def __init__(self, name: str, outputs: list[Any]):
        self.name = name
        self.outputs = outputs

    def write(self, text: str) -> int:
        if text:
            last = self.outputs[-1] if self.outputs else None
            if last is not None and last.output_type == "stream" and last.name == self.name:
                last.text += text
            else:
                self.outputs.append(nbformat.v4.new_output("stream", name=self.name, text=text))
        return len(text)

    def flush(self) -> None:
        """Nothing waits: every write is already an output."""

    def isatty(self) -> bool:
        return False


def _fresh_shell() -> _Shell:
    """Give the process's one shell, with nothing left of the notebook before."""
    if not InteractiveShell.initialized():
        config = Config()
        config.HistoryManager.enabled = False  # no history file: workers must not share one
        config.InteractiveShell.colors = "nocolor"
        config.InteractiveShell.xmode = "Context"
        _Shell.instance(config=config, display_pub_class=_Publisher, displayhook_class=_Hook)
    shell = InteractiveShell.instance()
    if not isinstance(shell, _Shell):
        raise ValueError(
            "engine olivetime: this process already has an interpreter shell of its own (a notebook or IPython),"
            " expected a plain Python process. Use engine='kernel' here, or run `olivetime weekly` from a terminal."
        )
    shell.reset(new_session=True)
    return shell


class WeekEngine:
    """Runs the cells of a notebook in the shell of this process; registered with papermill as "olivetime".

    papermill loads its engines while it is itself being imported, so this module imports papermill only when a
    notebook is run, and the class does not derive from papermill's.
    """

    @classmethod
    def execute_notebook(
        cls,
        nb,
        kernel_name,  # noqa: ARG003
        output_path=None,
        progress_bar=True,
        log_output=False,
        autosave_cell_every=30,
        **kwargs,  # noqa: ARG003
    ):
        """Run every code cell in order and stop at the first error, as a kernel would.

        Parameters
        ----------
        nb : nbformat.NotebookNode
            With its parameters set.
        kernel_name : str
            Not used: the shell is the one of this process.
        output_path, progress_bar, log_output, autosave_cell_every
            As papermill gives them to every engine.
        **kwargs
            Settings of other engines; not used.

        Returns
        -------
        nbformat.NotebookNode
            The same notebook, outputs filled in.
        """
        from papermill.engines import NotebookExecutionManager

        manager = NotebookExecutionManager(
            nb,
            output_path=output_path,
            progress_bar=progress_bar,
            log_output=log_output,
            autosave_cell_every=autosave_cell_every,
        )
        manager.notebook_start()
        try:
            shell = _fresh_shell()
            for index, cell in enumerate(nb.cells):
                manager.cell_start(cell, index)
                failed = cell.cell_type == "code" and bool(cell.source.strip()) and not _run_cell(shell, cell)
                if failed:
                    manager.cell_exception(cell, index)
                manager.cell_complete(cell, index)
                if failed:
                    break
        finally:
            manager.cleanup_pbar()
            manager.notebook_complete()
        return manager.nb

    @classmethod
    def nb_kernel_name(cls, nb, name=None):
        """Kernel name that the notebook asks for; see papermill."""
        from papermill.utils import nb_kernel_name

        return nb_kernel_name(nb, name)

    @classmethod
    def nb_language(cls, nb, language=None):
        """Language of the notebook; see papermill."""
        from papermill.utils import nb_language

        return nb_language(nb, language)


def _run_cell(shell: _Shell, cell: Any) -> bool:
    outputs: list[Any] = []
    shell.cell_outputs = outputs
    count = shell.execution_count
    with contextlib.redirect_stdout(_Stream("stdout", outputs)), contextlib.redirect_stderr(_Stream("stderr", outputs)):
        result = shell.run_cell(cell.source, store_history=True)
    cell.execution_count = count
    cell.outputs = outputs
    return bool(result.success)
