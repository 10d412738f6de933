"""Commands that write the page and the pictures: gather, draw, write or print one file."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from argparse import Namespace
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from durability.cli.logbook import day_of, limit_of, say, session_of, under_of
from durability.cli.output import progress, refuse_unwritable, set_by, settings_of, tell, write
from durability.record import units
from durability.record.basis import counted
from durability.record.errors import UnusableCall
from durability.report import labels
from durability.report.answers import beside
from durability.workflow import issuing, pictures
from durability.workflow.demo import is_demo
from durability.workflow.devices import DeviceStudy
from durability.workflow.specimens import for_labels
from durability.workflow.study import Study, open_study

if TYPE_CHECKING:
    from durability.report.plots import Figure
    from durability.workflow.results import ReportContents, ReportIssue
    from durability.workflow.session import Session


def report(options: Namespace) -> int:
    """Write one self-contained page."""
    file = Path(options.output)
    if options.number is not None:
        return _again(options, file)
    is_pdf = _ending(file, ("html", "htm", "pdf")) == "pdf"
    browser = find_browser(file) if is_pdf else ""
    from durability.workflow import reporting

    session = session_of(options)
    if options.reason is not None and options.reissue_of is None:
        raise UnusableCall("--reason: belongs to --reissue-of; name the report that is replaced")
    replaced = (
        None
        if options.reissue_of is None
        else issuing.report_to_replace(session, options.reissue_of, options.reason)
    )
    system = settings_of(options)["units"].value
    with progress(options, "report") as told, units.shown_in(system):
        contents = reporting.gather_report(
            session,
            series=options.series,
            case_models=options.case_model,
            specimen=options.specimen,
            plan=options.plan,
            under=under_of(options),
            on=day_of(options, session),
            claim_pct=options.claim,
            limit=limit_of(options),
            rig_corrected=options.rig_corrected,
            backtest=options.backtest,
            photo_folders=_photo_folders(options, session),
            parties=_parties(options, replaced),
            told=told,
        )
        from durability.report.page import changes, page, words

        def drawn(numbered: ReportContents) -> bytes:
            text = page(numbered, told, short=options.short)
            if not is_pdf:
                return text.encode()
            told("printing")
            return printed(text, browser, file)

        with units.shown_in("si"):
            kept = changes.answers(contents)
        written = issuing.issue_report(
            session,
            contents,
            file,
            answers=kept,
            replaced=replaced,
            reason=options.reason,
            drawn=drawn,
            written=write,
        )
    answers = words.answers(written)
    first = answers[0][1] if answers else words.tested(written)
    number = None if written.issue is None else written.issue.number
    if options.json:
        summary = {
            "file": str(file),
            "number": number,
            "replaces": options.reissue_of,
            "digest": written.digest,
            "answer": first,
        }
        return say(options, summary, "")
    from durability.report import terminal

    terminal.show(beside.as_of(session.as_of))
    terminal.say(first)
    terminal.show(beside.set_otherwise(set_by(options)))
    if replaced is not None:
        terminal.say(changes.summary(written))
    tell(f"written: {file} ({words.numbered(written)})")
    return 0


def _again(options: Namespace, file: Path) -> int:
    """Write a report as it was issued."""
    name, page = issuing.issued_page(session_of(options), options.number)
    ending = Path(name).suffix
    if file.suffix != ending:
        raise UnusableCall(f"-o {str(file)!r}: report {options.number} was issued as {ending}")
    write(file, page)
    told = {"file": str(file), "number": options.number, "issued_as": name}
    return say(options, told, f"written: {file} (report {options.number}, as issued)")


def _parties(options: Namespace, replaced: ReportIssue | None) -> dict[str, str | None]:
    """By whom and for whom: as typed, else as in the report that is replaced, else as set."""
    held = settings_of(options)
    found: dict[str, str | None] = {}
    for name in issuing.PARTIES:
        typed = getattr(options, name)
        if typed is not None and not typed.strip():
            raise UnusableCall(f"--{name}: blank; leave it out where nothing is to be said")
        before = None if replaced is None else replaced.parties[name]
        found[name] = typed or before or (held[name].value if name in held else None)
    return found


def _photo_folders(options: Namespace, session: Session) -> list[Path]:
    """Where photos of damage are looked for: as named, else beside the store and here."""
    if options.with_photos is None:
        return []
    if not options.with_photos:
        return [session.store.absolute().parent, Path.cwd()]
    folder = Path(options.with_photos)
    if not folder.is_dir():
        raise UnusableCall(f"--with-photos {str(folder)!r}: no such folder; name that of the files")
    return [folder]


_STAMP = "INVENTED data of the demo"


def plot(options: Namespace) -> int:
    """Draw one kind of picture into a file."""
    file = Path(options.output or f"{options.kind}.svg")
    ending = _ending(file, _DRAWN)
    session = session_of(options)
    system = settings_of(options)["units"].value
    options.numbers = {}
    with progress(options, "judging what the picture shows") as told:
        draw = partial(_KINDS[options.kind], session, options)
        with units.shown_in(system):
            figure = draw()
        from durability.report import plots

        if is_demo(session.store):
            plots.stamp(figure, _STAMP)
        told("drawing")
        content = plots.picture_bytes(figure, ending)
    if hasattr(options, "render"):  # a page, which holds the picture itself
        options.drawn = content
        return 0
    write(file, content)
    # What is said beside it: as JSON in SI units, whatever the picture is in.
    answer = (figure if not options.json or system == "si" else draw()).get_label()
    summary = {"kind": options.kind, "file": str(file), "answer": answer, **options.numbers}
    if options.json:
        return say(options, summary, "")
    from durability.report import terminal

    terminal.say(str(answer))
    terminal.show(beside.set_otherwise(set_by(options)))
    tell(f"drawn: {file}")
    return 0


def label(options: Namespace) -> int:
    """Draw a sheet of labels into a file."""
    file = Path(options.output)
    ending = _ending(file, _DRAWN)
    specimens = for_labels(session_of(options), options.codes)
    from durability.report import plots
    from durability.report.plots.label_sheet import MOST_LABELS, label_sheet, too_long

    codes = [each["specimen"] for each in specimens]
    several = range(0, len(codes), MOST_LABELS)
    if len(several) > 1 and ending != "pdf":
        raise UnusableCall(
            f"{len(codes)} labels: a sheet holds {MOST_LABELS}; a .pdf has several sheets"
        )
    if long := too_long(codes):
        raise UnusableCall(f"{long[0]!r}: too long for a label")
    sheets = [label_sheet(specimens[at : at + MOST_LABELS]) for at in several]
    one, *more = sheets
    write(file, plots.sheets_bytes(sheets) if more else plots.picture_bytes(one, ending))
    told = {"labels": codes, "file": str(file)}
    on = f" on {len(sheets)} sheets" if more else ""
    return say(options, told, f"{file}: {counted(len(codes), 'label')}{on}; print at 100 %")


_DRAWN = ("svg", "pdf", "png")


def _ending(file: Path, known: Sequence[str]) -> str:
    """Kind of file by its ending, and a place it can go to, before any work is done."""
    refuse_unwritable(file)
    ending = file.suffix.removeprefix(".").lower()
    if ending not in known:
        raise UnusableCall(f"-o {str(file)!r}: ends in none of {', '.join(f'.{k}' for k in known)}")
    return ending


def _series(session: Session, options: Namespace) -> Study:
    return open_study(
        session,
        options.series,
        options.case_model,
        under=under_of(options),
        limit=limit_of(options),
    )


def _wear(session: Session, options: Namespace) -> Figure:
    from durability.report import plots

    return plots.wear(_series(session, options).pictures(), page=options.page)


def _models(session: Session, options: Namespace) -> Figure:
    from durability.report import plots

    study = _series(session, options)
    shown, left_out = pictures.comparable(study)
    ranking = study.ranking() if shown else None
    return plots.models(shown, ranking, left_out=left_out, page=options.page)


def _cushion(session: Session, options: Namespace) -> Figure:
    from durability.report import plots
    from durability.report.answers import compare as answer

    study = open_study(session, options.series, options.case_model, under=under_of(options))
    curves = pictures.cushions(session, study)
    options.numbers = {"curves": answer.cushions_json(curves)}
    return plots.cushion(curves, page=options.page)


def _survival(session: Session, options: Namespace) -> Figure:
    from durability.report import plots

    return plots.survival(pictures.survival(_series(session, options)), page=options.page)


def _fan(session: Session, options: Namespace) -> Figure:
    from durability.report import plots

    shown = _series(session, options).pictures(most_fans=options.page * plots.MOST_PANELS)
    level = limit_of(options).level
    return plots.fan(shown, level=level, horizon=options.horizon, page=options.page)


def _scatter(session: Session, options: Namespace) -> Figure:
    from durability.report import plots

    clouds = pictures.pulse_clouds(session, options.series, options.case_model, under_of(options))
    return plots.scatter(*clouds, page=options.page)


def _lifeline(session: Session, options: Namespace) -> Figure:
    from durability.report import plots

    return plots.lifeline(DeviceStudy(session).life_lines(options.device), page=options.page)


def _latent(session: Session, options: Namespace) -> Figure:
    from durability.report import plots

    study = DeviceStudy(session)
    return plots.latent(study.link, study.dose_curve)


def _heat(session: Session, options: Namespace) -> Figure:
    from durability.report import plots

    return plots.heat(DeviceStudy(session).check_tables())


def _pulses(session: Session, options: Namespace) -> Figure:
    from durability.report import plots

    traces, of = pictures.pulse_traces(session, options.series, options.drops)
    return plots.pulses(traces, of=of)


def _spectra(session: Session, options: Namespace) -> Figure:
    from durability.report import plots

    traces, _ = pictures.pulse_traces(session, options.series, options.drops)
    numbers, spectrum, left_out = pictures.series_spectra(traces, q=options.q)
    if spectrum is None:
        return plots.missing(labels.NOTHING["waveforms"])
    return plots.spectra(traces[0].series, numbers, spectrum, left_out=left_out)


def _rig(session: Session, options: Namespace) -> Figure:
    from durability.report import plots

    watched = pictures.rig_watched(session, options.series)
    if watched is None:
        return plots.missing(labels.NOTHING["reference drops"])
    return plots.rig(
        watched.health,
        watched.charted_when,
        dated=watched.axis == "time",
        series=watched.series,
        averaged=watched.averaged,
    )


def _boundary(session: Session, options: Namespace) -> Figure:
    from durability.report import plots

    return plots.boundary(DeviceStudy(session).boundaries(), page=options.page)


_KINDS: dict[str, Callable[[Session, Namespace], Figure]] = {
    "wear": _wear,
    "models": _models,
    "cushion": _cushion,
    "survival": _survival,
    "fan": _fan,
    "scatter": _scatter,
    "lifeline": _lifeline,
    "latent": _latent,
    "heat": _heat,
    "pulses": _pulses,
    "spectra": _spectra,
    "rig": _rig,
    "boundary": _boundary,
}


# ---------------------------------------------------------------- printed by a browser

BROWSERS = (
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "microsoft-edge",
    "msedge",
    "chrome",
    # Where they lie on systems that don't put them on the path.
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Microsoft Edge.app/Contents/MacOS/Microsoft Edge",
    r"C:\Program Files\Google\Chrome\Application\chrome.exe",
    r"C:\Program Files (x86)\Microsoft\Edge\Application\msedge.exe",
)
"""Those that print from the command line; Firefox does not."""

PRINT_WAIT_S = 180.0
_FLAGS = (
    "--headless",
    "--disable-gpu",
    "--no-first-run",
    "--no-default-browser-check",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-pdf-header-footer",
)
_LETTER_COUNTRIES = ("US", "CA", "MX", "PH")


def find_browser(file: Path) -> str:
    """A browser that prints without a window.

    Parameters
    ----------
    file : Path
        As given by ``-o``.

    Returns
    -------
    str
        Its program.

    Raises
    ------
    UnusableCall
        None is installed.
    """
    for name in BROWSERS:
        found = shutil.which(name)
        if found:
            return found
    raise UnusableCall(
        f"-o {str(file)!r}: a PDF is printed by Chromium, Chrome or Edge, and none is installed;"
        " name an .html file and print that"
    )


def printed(page: str, browser: str, file: Path) -> bytes:
    """The page as PDF.

    Parameters
    ----------
    page : str
        HTML that stands by itself.
    browser : str
        From ``find_browser``.
    file : Path
        As given by ``-o``; a folder for the browser is made beside it and removed.

    Returns
    -------
    bytes
        On Letter where the locale's country uses it, else on A4.

    Raises
    ------
    UnusableCall
        The browser printed nothing.
    """
    sized = page.replace("</head>", f"<style>@page {{ size: {paper()}; }}</style>\n</head>", 1)
    # One that is confined sees the user's folders only, never /tmp or what begins with a dot.
    with tempfile.TemporaryDirectory(prefix="durability-print-", dir=file.parent) as folder:
        source, target = Path(folder) / "page.html", Path(folder) / "page.pdf"
        source.write_text(sized, encoding="utf-8")
        asked = [browser, *_FLAGS, f"--user-data-dir={Path(folder).resolve() / 'profile'}"]
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            asked.append("--no-sandbox")  # else it refuses to run for root, as in a container
        asked += [f"--print-to-pdf={target.resolve()}", source.resolve().as_uri()]
        try:
            done = subprocess.run(  # noqa: S603 - a browser of our list, our own page
                asked, stdin=subprocess.DEVNULL, capture_output=True, timeout=PRINT_WAIT_S
            )
            told = done.stderr.decode(errors="replace").strip().splitlines()[-1:]
            why = "".join(told) or f"exit status {done.returncode}"
        except subprocess.TimeoutExpired:
            why = f"nothing after {PRINT_WAIT_S:.0f} s"
        except OSError as error:
            why = str(error.strerror)
        content = target.read_bytes() if target.is_file() else b""
    if not content.startswith(b"%PDF") or b"%%EOF" not in content[-1024:]:
        raise UnusableCall(f"-o {str(file)!r}: {browser} printed no PDF ({why})")
    return content


def paper() -> str:
    """Letter or A4, by the country of the locale."""
    locale = next(
        (os.environ[name] for name in ("LC_ALL", "LC_PAPER", "LANG") if os.environ.get(name)), ""
    )
    country = locale.partition(".")[0].partition("_")[2]
    return "letter" if country in _LETTER_COUNTRIES else "A4"
