"""Commands that watch the rig and its sensors, and that plan drops."""

from __future__ import annotations

from argparse import Namespace
from dataclasses import asdict
from pathlib import Path

from durability.cli.logbook import limit_of, say, session_of, under_of, warn
from durability.cli.output import show, tell, write
from durability.cli.output import show as show_answer
from durability.record import clock
from durability.record.errors import UnusableCall
from durability.workflow import next_plan, plans, sensors
from durability.workflow import rig as workflow


def rig(options: Namespace) -> int:
    """Control charts of the reference drops, or their gauge study."""
    session = session_of(options)
    if not options.gauge and (options.factor or options.part_sd_pct is not None):
        raise UnusableCall(
            "--factor and --part-sd-pct: belong to --gauge; add it or leave them out"
        )
    from durability.report.answers import rig as answer

    if options.gauge:
        study, part = workflow.study_gauge(
            session, options.series, options.factor, part_sd_pct=options.part_sd_pct
        )
        return show(options, answer.gauge(study, part), lambda: answer.gauge_json(study, part))
    watched = workflow.watch(session, options.series)
    return show(options, answer.blocks(watched), lambda: answer.json(watched))


def calibrate(options: Namespace) -> int:
    """Record a calibration, and say which drops it puts in doubt."""
    told = sensors.add_calibration(session_of(options), options.code, vars(options))
    from durability.report.answers import rig as answer

    say(options, told, answer.acknowledged(told))
    warn(answer.doubt_lines(told["in_doubt"]))
    return 0


def mount(options: Namespace) -> int:
    """Record how a sensor was mounted."""
    told = sensors.mount_sensor(
        session_of(options),
        options.series,
        options.mounting,
        options.from_drop,
        options.note,
        options.uncertainty_pct,
    )
    from durability.report.answers import rig as answer

    return say(options, told, answer.mounted(told))


def void(options: Namespace) -> int:
    """Void a calibration that was entered in error."""
    sensors.void_calibration(
        session_of(options), options.code, options.calibrated_on, options.reason
    )
    told = {"sensor": options.code, "calibrated_on": options.calibrated_on, "status": "void"}
    return say(
        options, told, f"the calibration of {options.code} on {options.calibrated_on} is void"
    )


def calibration_show(options: Namespace) -> int:
    """One sensor with its history."""
    found = sensors.show_sensor(session_of(options), options.code)
    from durability.report.answers import rig as answer

    return show_answer(options, answer.calibration_blocks(found), lambda: found)


def rise(options: Namespace) -> int:
    """Drops per case to see a rise."""
    scatter, planned, careful = plans.plan_rise(
        session_of(options),
        options.rise_pct,
        power=options.power,
        alpha=options.alpha,
        cases=options.cases or (1, 2, 3, 5),
        scatter_pct=options.scatter_pct,
        rise_sd_pct=options.rise_sd_pct,
        under=under_of(options),
    )
    asked = {
        "rise_pct_per_drop": options.rise_pct,
        "power": options.power,
        "alpha": options.alpha,
    }
    from durability.report.answers import plans as answer

    return show(
        options,
        answer.rise(options.rise_pct, options.power, scatter, planned, careful),
        lambda: answer.json(asked, scatter, planned, careful),
    )


def tell_apart(options: Namespace) -> int:
    """Cases of each of two models to tell them apart."""
    scatter, planned, careful = plans.plan_contrast(
        session_of(options),
        options.difference_pct,
        power=options.power,
        alpha=options.alpha,
        drops_per_case=options.drops or (1, 3, 5, 10),
        within_pct=options.scatter_pct,
        between_pct=options.scatter_between_pct,
        under=under_of(options),
    )
    asked = {
        "difference_pct": options.difference_pct,
        "power": options.power,
        "alpha": options.alpha,
    }
    from durability.report.answers import plans as answer

    return show(
        options,
        answer.contrast(options.difference_pct, options.power, scatter, planned, careful),
        lambda: answer.json(asked, scatter, planned, careful),
    )


def survive(options: Namespace) -> int:
    """How many cases must survive, and what has been shown."""
    limit = limit_of(options)
    plan = plans.plan_survival(
        session_of(options),
        options.drops,
        reliability=options.reliability,
        confidence=options.confidence,
        failures_allowed=options.failures_allowed,
        shape=options.shape,
        drops_each=options.drops_each,
        case_models=options.case_model,
        limit_g=limit.limit_g,
        limit_rise=limit.limit_rise,
        under=under_of(options),
    )
    from durability.report.answers import plans as answer

    return show(options, answer.survival(plan), lambda: asdict(plan))


def next_(options: Namespace) -> int:
    """Which cases to drop, or which devices to inspect, next."""
    session = session_of(options)
    from durability.report.answers import plans as answer

    if options.question == "link":
        for given, option in (
            (options.cases, "--cases"),
            (options.to_last, "--to-last"),
            (options.case_model, "--case-model"),
        ):
            if given is not None:
                raise UnusableCall(f"{option}: not with --question link; leave it out")
        looks = next_plan.plan_next_looks(session, looks=options.looks, drops=options.drops or 0)
        return show(options, answer.next_looks(looks), lambda: answer.next_json(looks))
    if options.looks is not None:
        raise UnusableCall("--looks: belongs to --question link; leave it out")
    plan = next_plan.plan_next_drops(
        session,
        options.question,
        drops=next_plan.BUDGET if options.drops is None else options.drops,
        new_cases=options.cases or 0,
        to_last=options.to_last,
        case_models=options.case_model,
        limit=limit_of(options),
        under=under_of(options),
    )
    return show(options, answer.next_drops(plan), lambda: answer.next_json(plan))


def sheet(options: Namespace) -> int:
    """A drop sheet, as CSV and as a page to print."""
    files = [Path(name) for name in (options.output, options.page) if name]
    for file in files:
        if file.exists():
            raise UnusableCall(
                f"{file}: already exists, and a sheet that was followed must not change; name"
                " another file"
            )
    planned = plans.make_sheet(
        session_of(options),
        case_models=options.case_model or (),
        cases=options.case,
        bare=options.bare,
        orientations=options.orientation,
        seed=options.seed,
        repeats=options.repeats,
        rest_s=options.rest_s,
    )
    from durability.report.answers import plans as answer

    made_on = clock.today().isoformat()
    for file, text in (
        (options.output, answer.as_csv(planned, made_on)),
        (options.page, answer.as_page(planned, plans.coverage(planned), made_on)),
    ):
        if file:
            write(Path(file), text)
    show(options, answer.blocks(planned), lambda: {"made_on": made_on, **asdict(planned)})
    if options.json:
        return 0
    for file in files:
        tell(f"written: {file}")
    if not options.output:
        print("nothing is written; give -o FILE.csv to follow it with: record --plan")
    return 0
