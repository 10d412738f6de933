"""Commands that answer: trend, forecast, rank, compare, claim, latent, saved questions, manual."""

from __future__ import annotations

import importlib
import shlex
import sys
from argparse import Namespace
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from durability.cli.logbook import day_of, limit_of, say, session_of, under_of, warn
from durability.cli.output import (
    asked_as_of,
    ended_at_once,
    progress,
    refuse_unwritable,
    settings_of,
    show,
    tell,
    write,
)
from durability.cli.parser import make_parser
from durability.record.basis import counted
from durability.record.errors import UnusableCall, ValueOutOfRange, harmless
from durability.report.answers import beside
from durability.workflow.study import open_study

if TYPE_CHECKING:
    from durability.workflow.questions import Answer


def _rate(options: Namespace) -> float | None:
    rate: float | None = options.false_discovery
    if rate is not None and not 0.0 < rate < 1.0:
        raise ValueOutOfRange("false_discovery", rate, "not a share between 0 and 1, like 0.1")
    return rate


def status(options: Namespace) -> int:
    """How things stand."""
    from durability.workflow import show as workflow

    with progress(options, "judging open series"):
        found = workflow.status(session_of(options), limit_of(options), _rate(options))
    from durability.report.answers import history as answer

    return show(options, answer.status_blocks(found), lambda: answer.status_json(found))


def trend(options: Namespace) -> int:
    """Is peak g climbing, and how fast."""
    rate = _rate(options)
    with progress(options, "fitting the wear of each case"):
        study = open_study(
            session_of(options),
            options.series,
            options.case_model,
            under=under_of(options),
            rig_corrected=options.rig_corrected,
        )
        results, contexts = study.trends, study.contexts
    from durability.report.answers import trend as answer

    if rate is not None:
        blocks = answer.discovered_blocks(results, rate)
    else:
        blocks = (answer.at_length if options.series else answer.blocks)(results, contexts)
    return show(options, blocks, lambda: answer.json(results, contexts, rate))


def forecast(options: Namespace) -> int:
    """How many drops until the case fails."""
    limit = limit_of(options)
    with progress(options, "forecasting drops to failure") as told:
        study = open_study(
            session_of(options),
            options.series,
            options.case_model,
            under=under_of(options),
            limit=limit,
            rig_corrected=options.rig_corrected,
        )
        if options.backtest:
            tested = study.backtest(told)
        else:
            results, contexts = study.forecasts, study.forecast_contexts
    from durability.report.answers import forecast as answer

    if options.backtest:
        return show(options, answer.backtest_blocks(tested), lambda: answer.backtest_json(tested))
    if options.series and not options.json:
        options.why = True  # who names a series asks for its reasons
        with progress(options, "computing what more drops would gain"):
            further = study.further_drops()
        blocks = answer.at_length(results, further, contexts, limit)
    else:
        blocks = answer.blocks(results, contexts, limit)
    return show(options, blocks, lambda: answer.json(results, contexts, limit))


def conditions(options: Namespace) -> int:
    """How peak g goes with temperature and rest: a what-if."""
    with progress(options, "estimating effects of temperature and rest"):
        study = open_study(
            session_of(options), options.series, options.case_model, under=under_of(options)
        )
        effects = study.condition_effects()
    from durability.report.answers import rank as answer

    return show(options, answer.conditions_blocks(effects), lambda: answer.conditions_json(effects))


def rank(options: Namespace) -> int:
    """Which wear out fastest."""
    with progress(options, "ranking"):
        study = open_study(
            session_of(options),
            options.series,
            options.case_model,
            under=under_of(options),
            limit=limit_of(options),
        )
        result = study.ranking(options.by, pool=options.pool)
    from durability.report.answers import rank as answer

    return show(options, answer.blocks(result), lambda: answer.json(result))


def compare(options: Namespace) -> int:
    """How many times the peak g of A is that of B."""
    with progress(options, "comparing"):
        study = open_study(session_of(options), under=under_of(options))
        result, voided = study.comparison(
            options.a, options.b, after_drops=options.after_drops, pool=options.pool
        )
    from durability.report.answers import compare as answer

    return show(options, answer.blocks(result, voided), lambda: answer.json(result, voided))


def latent(options: Namespace) -> int:
    """Do later failures go with the shocks before them."""
    from durability.workflow.devices import DeviceStudy
    from durability.workflow.histories import read_scope

    with progress(options, "testing later failures against shocks"):
        session = session_of(options)
        scope = read_scope(session, under_of(options))
        answer = DeviceStudy(session, day_of(options, session)).answer(scope)
    from durability.report.answers import latent as shown

    return show(options, shown.blocks(answer, devices=options.devices), lambda: shown.json(answer))


def claim(options: Namespace) -> int:
    """Whether B reduces peak g against A by at least so many percent."""
    from durability.workflow import claims

    with progress(options, "judging the claim"):
        session = session_of(options)
        found = claims.judge_claim(
            open_study(session, under=under_of(options)),
            options.a,
            options.b,
            options.at_least,
            after_drops=options.after_drops,
            level=limit_of(options).level,
            acceptance=options.acceptance,
            known=claims.instruments(session),
        )
    from durability.report.answers import compare as answer

    return show(
        options, answer.claim_blocks(found), lambda: answer.claim_json(found, options.at_least)
    )


_ENDINGS = {".csv": "csv", ".json": "json", ".md": "markdown", ".parquet": "parquet"}


def query(options: Namespace) -> int:
    """Ask a saved question or a statement of the user's own, or list the questions."""
    from durability.report.answers import query as shown
    from durability.workflow import questions
    from durability.workflow.results import Under

    values = _values(options.values)
    if not options.max_seconds > 0:
        raise UnusableCall(f"--max-seconds {options.max_seconds:g}: not a number above 0")
    if options.sql is not None:
        if options.name is not None or values:
            raise UnusableCall("--sql: takes no name and no --set; leave them out")
        with progress(options, "querying the store"):
            session, under, limit_s = session_of(options), under_of(options), options.max_seconds
            answer = ended_at_once(
                lambda: questions.ask_sql(session, options.sql, under, max_seconds=limit_s), limit_s
            )
        return _answer(options, "Your statement", "", answer)
    if options.name is None:
        if values:
            raise UnusableCall("--set: no question named; give its name before --set")
        if under_of(options) != Under():
            raise UnusableCall(f"{under_of(options).options[0]}: no question named; give its name")
        if options.output or options.format not in (None, "table", "json"):
            raise UnusableCall("-o, --format: no question named; give its name, or --sql")
        found = questions.list_questions(options.folder)
        if options.format == "json":
            options.json = True
        return show(options, shown.listing(found), lambda: shown.listing_json(found))
    with progress(options, "querying the store"):
        session, values = session_of(options), _values(options.values)
        question, answer = questions.ask(
            session, options.name, values, options.folder, under_of(options)
        )
    return _answer(options, question.title, question.description, answer)


def _answer(options: Namespace, title: str, description: str, answer: Answer) -> int:
    """Print the answer or write it to its file, in the form asked for."""
    from durability.report.answers import query as shown
    from durability.workflow import questions

    file = Path(options.output) if options.output else None
    form = "json" if options.json else options.format
    form = form or (_ENDINGS.get(file.suffix.lower()) if file else None) or "table"
    if file is not None:
        refuse_unwritable(file)
    if form == "parquet":
        if file is None:
            raise UnusableCall("--format parquet: is not text; name its file with -o FILE.parquet")
        questions.save_parquet(answer, file)
    elif form == "table" and file is None:
        return show(
            options,
            shown.blocks(title, description, answer.parameters, answer.columns, answer.rows),
            lambda: None,
        )
    elif form == "table":
        raise UnusableCall(
            f"-o {options.output!r}: ends in none of {', '.join(_ENDINGS)}; say --format"
        )
    else:
        text = shown.as_text(form, answer, asked_as_of(options), raw=options.raw)
        if file is None:
            print(harmless(text) if sys.stdout.isatty() else text, end="")
        else:
            write(file, text)
    if form != "json":
        # Beside the rows: a table for other programs holds nothing else.
        warn(block.text for block in beside.as_of(asked_as_of(options)))
    if file is not None and not options.json:
        tell(f"written: {file} ({counted(len(answer.rows), 'row')})")
    return 0


def _values(texts: Sequence[str]) -> dict[str, str]:
    values = {}
    for text in texts:
        name, equals, value = text.partition("=")
        if not equals:
            raise UnusableCall(f"--set {text!r}: no '='; write NAME=VALUE")
        values[name.strip()] = value.strip()
    return values


# ------------------------------------------------------------------------- to learn it by


def help_(options: Namespace) -> int:
    """Show what a command does, or which there are."""
    make_parser(next(iter(options.words), "")).parse_args([*options.words, "--help"])
    return 0


def settings(options: Namespace) -> int:
    """Show what holds for a call, and whence."""
    from durability.report.answers import records as answer
    from durability.workflow.results import Limit
    from durability.workflow.session import login_name

    defaults = {**asdict(Limit()), "person": login_name()}
    told = {
        name: {
            "value": defaults.get(name) if held.value is None and held.is_default else held.value,
            "from": held.source,
        }
        for name, held in settings_of(options).items()
    }
    return show(options, answer.settings(told), lambda: told)


def completion(options: Namespace) -> int:
    """Write what makes a shell complete commands and options."""
    import shtab

    print(shtab.complete(make_parser(), options.shell))
    return 0


def manual(options: Namespace) -> int:
    """Show one topic, rendered at a terminal and as it stands in a pipe; or list the topics."""
    from durability.workflow import demo as demo_workflow

    if options.topic is None:
        found = demo_workflow.topics()
        width = max(map(len, found))
        for topic, title in found.items():
            print(f"{topic:{width}}  {title}")
        return 0
    text = demo_workflow.page(
        options.topic, {"Methods": _methods()} if options.topic == "methods" else {}
    )
    if not sys.stdout.isatty():
        print(text, end="")
        return 0
    from rich.console import Console
    from rich.markdown import Markdown

    Console().print(Markdown(text))
    return 0


def _methods() -> str:
    """The methods as the page of a report states them."""
    from durability.report.page.changes import METHODS, REACHED

    table = REACHED.table(METHODS)
    _, _, *headings = table.columns
    parts = []
    for answer, method, *others in table.rows:
        parts += [f"### {answer}", "", method, ""]
        parts += [f"- {heading}: {words}" for heading, words in zip(headings, others, strict=True)]
        parts.append("")
    return "\n".join(parts).rstrip()


_STEPS = (
    (
        "Is peak g climbing? Two of the four models.",
        ("trend", "--case-model", "Corrie", "--case-model", "Scree"),
    ),
    (
        "How many drops until they fail?",
        ("forecast", "--case-model", "Moraine", "--case-model", "Scree"),
    ),
    ("Which model wears out fastest?", ("rank",)),
    ("Which radios are to be inspected?", ("due", "--on", "2026-10-12", "--within", "14")),
    ("Do later failures go with the shocks?", ("latent",)),
    ("When was damage first seen?", ("query", "first_damage", "--set", "case_model=Moraine")),
    ("Which radios failed later, and after what?", ("query", "latent_failures")),
)


def demo(options: Namespace) -> int:
    """Build the invented scenario if it is not there, then answer the main questions from it."""
    from durability.workflow import demo as demo_workflow

    with progress(options, "building the invented scenario"):
        built = demo_workflow.build_demo(demo_workflow.demo_store_path(options.store))
    told = {
        "invented": True,
        "store": str(built.store),
        "new": built.is_new,
        "files_folder": str(built.files_folder),
        "added": built.added,
    }
    rows = ", ".join(f"{count} of {kind}" for kind, count in built.added.items())
    words = (
        "INVENTED: every sleeve, radio, number and failure of this scenario is made up.\n"
        f"store: {built.store} ({'new' if built.is_new else 'exists already, shown as it is'})\n"
        f"made from the files in: {built.files_folder}" + (f" (rows: {rows})" if rows else "")
    )
    say(options, told, words)
    if options.json:
        return 0
    parser = make_parser()
    for question, command in _STEPS:
        typed = [*command, "--store", str(built.store)]
        print(f"\n{question} (invented data)\n$ durability {shlex.join(typed)}")
        step = parser.parse_args(typed)
        step.quiet = options.quiet
        module, _, name = step.handler.partition(":")
        getattr(importlib.import_module(f"durability.cli.{module}"), name)(step)
    tell(f"\nAsk it more: add to any command --store {shlex.quote(str(built.store))}")
    return 0
