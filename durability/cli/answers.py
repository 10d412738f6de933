"""Commands that judge: trend, forecast, rank, compare, latent."""

from __future__ import annotations

from argparse import Namespace

from durability.cli.logbook import session_of
from durability.cli.progress import progress
from durability.cli.show import show
from durability.report import as_json
from durability.workflow import judge


def trend(options: Namespace) -> int:
    """Is peak g climbing, and how fast."""
    with progress(options, "fitting the wear of each case"):
        results, contexts = judge.explain_series(
            session_of(options),
            options.series,
            options.case_model,
            rig_corrected=options.rig_corrected,
        )
    from durability.report.answers import trend as answer

    blocks = answer.at_length if options.series else answer.blocks
    return show(options, blocks(results, contexts), lambda: answer.json(results, contexts))


def forecast(options: Namespace) -> int:
    """How many drops until the case fails."""
    with progress(options, "forecasting drops to failure"):
        results, notes = judge.explain_forecasts(
            session_of(options),
            options.series,
            options.case_model,
            level=options.level,
            limit_g=options.limit_g,
            limit_rise=options.limit_rise,
            horizon=options.horizon,
            rig_corrected=options.rig_corrected,
        )
    if options.json:
        print(as_json.dumps(as_json.forecasts(results, options.level, options.horizon, notes)))
        return 0
    from durability.report import tables

    if options.series:
        with progress(options, "weighing what more drops would buy"):
            further = [
                judge.further_drops(
                    session_of(options),
                    result.series,
                    level=options.level,
                    limit_g=options.limit_g,
                    limit_rise=options.limit_rise,
                    horizon=options.horizon,
                )
                for result in results
            ]
        tables.explained_forecasts(results, further, options.level, options.horizon, notes)
    else:
        tables.forecasts(results, options.level, options.horizon, notes)
    return 0


def conditions(options: Namespace) -> int:
    """How peak g goes with temperature and rest: a what-if."""
    with progress(options, "weighing temperature and rest"):
        effects = judge.condition_effects(session_of(options), options.series, options.case_model)
    if options.json:
        print(as_json.dumps(as_json.condition_effects(effects)))
        return 0
    from durability.report import tables

    tables.condition_effects(effects)
    return 0


def rank(options: Namespace) -> int:
    """Which wear out fastest."""
    with progress(options, "ranking"):
        result = judge.rank_wear(
            session_of(options), options.series, options.case_model, by=options.by
        )
    if options.json:
        print(as_json.dumps(as_json.ranking(result)))
        return 0
    from durability.report import tables

    tables.ranking(result)
    return 0


def compare(options: Namespace) -> int:
    """How many times the peak g of A is that of B."""
    with progress(options, "comparing"):
        result, voided = judge.explain_comparison(session_of(options), options.a, options.b)
    if options.json:
        print(as_json.dumps(as_json.comparison(result, voided)))
        return 0
    from durability.report import tables

    tables.comparison(result, voided)
    return 0


def latent(options: Namespace) -> int:
    """Do later failures go with the shocks before them."""
    with progress(options, "weighing shocks against later failures"):
        answer = judge.answer_latent(session_of(options), options.on)
    if options.json:
        print(as_json.dumps(as_json.latent(answer)))
        return 0
    from durability.report import follow_up

    follow_up.latent(answer, devices=options.devices)
    return 0
