"""Commands that judge: trend, forecast, rank, compare, latent."""

from __future__ import annotations

from argparse import Namespace

from durability.cli.logbook import day_of, limit_of, session_of
from durability.cli.progress import progress
from durability.cli.show import show
from durability.workflow.devices import DeviceStudy
from durability.workflow.study import open_study


def trend(options: Namespace) -> int:
    """Is peak g climbing, and how fast."""
    with progress(options, "fitting the wear of each case"):
        study = open_study(
            session_of(options),
            options.series,
            options.case_model,
            rig_corrected=options.rig_corrected,
        )
        results, contexts = study.trends, study.contexts
    from durability.report.answers import trend as answer

    blocks = answer.at_length if options.series else answer.blocks
    return show(options, blocks(results, contexts), lambda: answer.json(results, contexts))


def forecast(options: Namespace) -> int:
    """How many drops until the case fails."""
    limit = limit_of(options)
    with progress(options, "forecasting drops to failure"):
        study = open_study(
            session_of(options),
            options.series,
            options.case_model,
            limit=limit,
            rig_corrected=options.rig_corrected,
        )
        results, notes = study.forecasts, study.rig_notes
    from durability.report.answers import forecast as answer

    if options.series and not options.json:
        with progress(options, "weighing what more drops would buy"):
            further = study.further_drops()
        blocks = answer.at_length(results, further, notes, limit)
    else:
        blocks = answer.blocks(results, notes, limit)
    return show(options, blocks, lambda: answer.json(results, notes, limit))


def conditions(options: Namespace) -> int:
    """How peak g goes with temperature and rest: a what-if."""
    with progress(options, "weighing temperature and rest"):
        study = open_study(session_of(options), options.series, options.case_model)
        effects = study.condition_effects()
    from durability.report.answers import conditions as answer

    return show(options, answer.blocks(effects), lambda: answer.json(effects))


def rank(options: Namespace) -> int:
    """Which wear out fastest."""
    with progress(options, "ranking"):
        study = open_study(
            session_of(options), options.series, options.case_model, limit=limit_of(options)
        )
        result = study.ranking(options.by)
    from durability.report.answers import rank as answer

    return show(options, answer.blocks(result), lambda: answer.json(result))


def compare(options: Namespace) -> int:
    """How many times the peak g of A is that of B."""
    with progress(options, "comparing"):
        result, voided = open_study(session_of(options)).comparison(options.a, options.b)
    from durability.report.answers import compare as answer

    return show(options, answer.blocks(result, voided), lambda: answer.json(result, voided))


def latent(options: Namespace) -> int:
    """Do later failures go with the shocks before them."""
    with progress(options, "weighing shocks against later failures"):
        answer = DeviceStudy(session_of(options), day_of(options)).answer()
    from durability.report.answers import latent as shown

    return show(options, shown.blocks(answer, devices=options.devices), lambda: shown.json(answer))
