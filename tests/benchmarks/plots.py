"""How times grow, drawn as SVG into docs/benchmarks: one plot for each row that was measured at several sizes."""

from __future__ import annotations

from pathlib import Path

from tests.benchmarks.history import FOLDER
from tests.benchmarks.run import Row, Run


def draw(run: Run, folder: Path = FOLDER) -> list[Path]:
    """The files written."""
    return [_plot(row, run, folder) for row in run.rows if row.measurement is not None and row.measurement.points]


def _plot(row: Row, run: Run, folder: Path) -> Path:
    import matplotlib as mpl
    from matplotlib.figure import Figure

    assert row.measurement is not None
    sizes, seconds = zip(*row.measurement.points, strict=True)
    # Words stay words, and the same run gives the same file.
    with mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": "setwright"}):
        figure = Figure(figsize=(6, 4), layout="constrained")
        axes = figure.subplots()
        axes.loglog(sizes, seconds, "o-", label="measured")
        axes.loglog(sizes, [seconds[-1] * size / sizes[-1] for size in sizes], "--", label="linear")
        axes.set(title=f"{row.what} ({run.commit})", xlabel=row.measurement.size, ylabel="seconds of CPU")
        axes.grid(visible=True, which="both", alpha=0.3)
        axes.legend()
        file = folder / f"{row.name}.svg"
        figure.savefig(file, metadata={"Date": None})
    return file
