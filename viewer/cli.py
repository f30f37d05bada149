"""The command ``splendens``: import, check, analyse, tables, view, demo.

Heavy imports stand inside the commands, so that the help text comes at once.
"""

import functools
import os
import sys
import tempfile
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any, Literal, ParamSpec, TypeVar

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn

from engine.errors import Caution, FolderError, SplendensError

P = ParamSpec("P")
R = TypeVar("R")

CAUTION = (
    "For research and teaching. Not a diagnostic device: its grading does not replace a licensed "
    "clinician's judgement. Tissue and laser or laboratory handling follow your local rules."
)

app = typer.Typer(
    name="splendens",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode="markdown",
    help="One picture of a cartilage disc: cells, stiffness and collagen at the same place.\n\n"
    "A day's work: **check** a disc folder, **import** it into a store, **analyse** the store, "
    "then **view** it or write its **tables**. New here? `splendens demo` builds an invented "
    "sheep disc and opens it.\n\n" + CAUTION,
)
_console = Console(stderr=True, highlight=False)

StorePath = Annotated[Path, typer.Argument(metavar="STORE", help="A disc store (a .zarr folder).")]


def _guarded(command: Callable[P, R]) -> Callable[P, R]:
    """Turn what a user can mend into clear lines and exit status 2, the rest into status 1."""

    @functools.wraps(command)
    def run(*args: P.args, **kwargs: P.kwargs) -> R:
        try:
            return command(*args, **kwargs)
        except FolderError as error:
            for defect in error.defects:
                _console.print(str(defect), markup=False, soft_wrap=True)
            noun = "defect" if len(error.defects) == 1 else "defects"
            _console.print(f"{len(error.defects)} {noun}; nothing was changed", style="bold red")
            raise typer.Exit(2) from None
        except SplendensError as error:
            _console.print(str(error), markup=False, soft_wrap=True)
            raise typer.Exit(2) from None
        except KeyboardInterrupt:
            _console.print("stopped; nothing half-done was kept")
            raise typer.Exit(1) from None
        except (typer.Exit, SystemExit):
            raise
        except Exception as error:  # noqa: BLE001 a fault of ours is one line too, with its trail kept
            trail = Path(tempfile.gettempdir()) / f"splendens-fault-{os.getpid()}.txt"
            trail.write_text(traceback.format_exc(), encoding="utf-8")
            _console.print(
                f"a fault inside splendens: {type(error).__name__}: {error}\n"
                f"its trail is in {trail}",
                markup=False,
                soft_wrap=True,
            )
            raise typer.Exit(1) from None

    return run


@contextmanager
def _bar(title: str) -> Iterator[Callable[[str, float], None]]:
    """Show a progress bar on a terminal; plain silence elsewhere."""
    columns = (
        TextColumn("{task.fields[title]}"),
        BarColumn(),
        TaskProgressColumn(),
        TimeElapsedColumn(),
        TextColumn("{task.description}"),
    )
    with Progress(*columns, console=_console, transient=True) as progress:
        task = progress.add_task("", total=1.0, title=title)
        yield lambda what, share: progress.update(task, description=what, completed=share)


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def _say_cautions(cautions: tuple[Caution, ...] | list[Caution]) -> None:
    for caution in cautions:
        where = f"site {caution.site}: " if caution.site else ""
        _console.print(f"warning: {where}{caution.sentence}", markup=False, soft_wrap=True)


@app.command(name="import")
@_guarded
def import_command(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="A disc folder.")],
    store: Annotated[
        Path, typer.Argument(metavar="STORE", help="The store to write, a .zarr folder.")
    ],
) -> None:
    """Read a disc folder into a store.

    All defects of the folder are listed at once; with any, nothing is written and the store stays
    as it was. Warnings are listed and kept beside the sites they concern.
    """
    from engine.importing import import_folder
    from engine.store import open_store

    with _bar("import") as progress:
        written = import_folder(folder, store, progress)
    found = open_store(store)
    _say_cautions(found.cautions)
    if not written:
        _say(f"{store} already holds exactly these files; nothing to do")
        return
    maps = sum(s.has_curves for s in found.sites.values())
    images = sum(s.has_height for s in found.sites.values())
    _say(
        f"{store}: disc {found.disc} of {found.donor}, {maps} force maps, {images} height images, "
        f"frame {found.frame.method} with residual {found.frame.rms_um:.1f} um"
    )


@app.command()
@_guarded
def analyse(
    store: StorePath,
    settings: Annotated[
        Path | None, typer.Option(help="TOML file of settings; `splendens settings` prints all.")
    ] = None,
    workers: Annotated[
        int, typer.Option(min=1, help="Processes to work with.", show_default=True)
    ] = os.cpu_count() or 1,
    use_corrections: Annotated[
        bool, typer.Option("--use-corrections", help="Count cells as corrected by hand.")
    ] = False,
    landmarks: Annotated[
        str | None, typer.Option(help="A set of landmarks kept in the store to fit the frame to.")
    ] = None,
    take_over: Annotated[
        bool,
        typer.Option(
            "--take-over",
            help="Take curves and images over from an earlier run of the same measurements and "
            "settings: the numbers are the same.",
        ),
    ] = False,
) -> None:
    """Compute every table of a store from its raw data, as a new run.

    A store that already holds a run of the same inputs and settings is left alone. The run becomes
    the current one in a single step; an interrupted analysis leaves the store as it was.
    """
    from engine.analysis import analyse_store
    from engine.settings import Settings, read_settings

    chosen = read_settings(settings) if settings else Settings()
    changes: dict[str, Any] = {"use_corrections": True} if use_corrections else {}
    changes |= {} if landmarks is None else {"landmarks": landmarks}
    chosen = chosen.model_copy(update=changes)
    with _bar("analyse") as progress:
        outcome = analyse_store(store, chosen, workers=workers, progress=progress, reuse=take_over)
    if not outcome.new:
        _say(f"{store}: {outcome.run} has the same inputs and settings; nothing to do")
    else:
        _say(f"{store}: {outcome.run} is current ({outcome.seconds:.1f} s)")


@app.command()
@_guarded
def tables(
    store: StorePath,
    out: Annotated[Path, typer.Option(help="Folder to write to, made if missing.")],
    file_format: Annotated[Literal["csv", "parquet"], typer.Option("--format")] = "csv",
) -> None:
    """Write the result tables of the current run, one file a table."""
    from engine.store import ALL_TABLES, open_store
    from engine.store.tables import export_tables

    found = open_store(store)
    for path in export_tables({name: found.table(name) for name in ALL_TABLES}, out, file_format):
        _say(str(path))


@app.command()
@_guarded
def check(
    what: Annotated[Path, typer.Argument(metavar="FOLDER|STORE", help="What to check.")],
    deep: Annotated[
        bool, typer.Option("--deep", help="Also compare every stored file with its hash.")
    ] = False,
) -> None:
    """Check a disc folder, or a store, without changing anything."""
    from engine.calibration.words import probe_lines
    from engine.importing import look_at_folder
    from engine.store import open_store
    from engine.store.check import check_store

    if (what / "zarr.json").is_file():
        defects = check_store(what, deep=deep)
        if defects:
            raise FolderError(defects)
        for line in probe_lines(open_store(what).info["probes"]):
            _say(line)
        _say(f"{what}: sound{' to the last byte' if deep else ''}")
        return
    with _bar("check") as progress:
        cautions, probes = look_at_folder(what, progress)
    _say_cautions(cautions)
    for line in probe_lines(probes):
        _say(line)
    noun = "warning" if len(cautions) == 1 else "warnings"
    _say(f"{what}: no defects, {len(cautions)} {noun}")


@app.command()
@_guarded
def landmarks(
    store: StorePath,
    name: Annotated[
        str, typer.Option("--set", help="A set kept in the store; without it all are listed.")
    ] = "",
) -> None:
    """List the sets of landmarks kept in a store, or print one as a `landmarks.csv`."""
    from engine.store import open_store
    from engine.store.landmark_sets import read_landmark_set, saved_sets

    found = open_store(store)
    if name:
        _say(read_landmark_set(found.path, name).csv().rstrip())
        return
    for kept, document in saved_sets(found.path).items():
        saved = document.get("saved", {})
        _say(f"{kept}: by {saved.get('who', '')}, {saved.get('when', '')}")


@app.command(name="settings")
@_guarded
def settings_command() -> None:
    """Print every setting with its default, as a TOML file to edit and give to `analyse`."""
    from engine.settings import Settings, settings_as_toml

    _say(settings_as_toml(Settings()))


@app.command()
@_guarded
def view(
    stores: Annotated[list[Path], typer.Argument(metavar="STORE…", help="Stores to show.")],
    port: Annotated[int, typer.Option(min=0, max=65535, help="0 takes a free one.")] = 5006,
    address: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="Open a browser window.")
    ] = True,
) -> None:
    """Open the viewer on one disc or several.

    The page is served to this machine alone unless `--address` says otherwise.
    """
    from viewer.serve import serve

    serve(stores, port=port, address=address, open_browser=browser, say=_say)


@app.command()
@_guarded
def demo(
    folder: Annotated[
        Path | None, typer.Option(help="Where the demo lies; built there if it is not.")
    ] = None,
    port: Annotated[int, typer.Option(min=0, max=65535, help="0 takes a free one.")] = 5006,
    address: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="Open a browser window.")
    ] = True,
    show: Annotated[bool, typer.Option("--show/--build-only", help="Open the viewer.")] = True,
) -> None:
    """Build the invented sheep discs if they are not there, and open the viewer on them."""
    from demo_zarr.build import build_stores

    target = folder or Path(__file__).resolve().parent.parent / "demo_zarr" / "disc"
    with _bar("demo") as progress:
        stores = build_stores(target, progress)
    for store in stores:
        _say(str(store))
    if show:
        from viewer.serve import serve

        serve(stores, port=port, address=address, open_browser=browser, say=_say)


def main(arguments: list[str] | None = None) -> Any:
    """Run the command, for tests and for ``python -m viewer.cli``."""
    return app(arguments, standalone_mode=True)


if __name__ == "__main__":
    main()
