"""Commands of a sensor's calibrations."""

from __future__ import annotations

from argparse import Namespace

from durability.cli.logbook import say, session_of, warn
from durability.cli.show import show as show_answer
from durability.workflow import sensors


def calibrate(options: Namespace) -> int:
    """Record a calibration, and say which drops it puts in doubt."""
    told = sensors.add_calibration(session_of(options), options.code, vars(options))
    from durability.report.answers import calibration as answer

    say(options, told, answer.acknowledged(told))
    warn(answer.doubt_lines(told["in_doubt"]))
    return 0


def void(options: Namespace) -> int:
    """Void a calibration that was entered in error."""
    sensors.void_calibration(
        session_of(options), options.code, options.calibrated_on, options.reason
    )
    told = {"sensor": options.code, "calibrated_on": options.calibrated_on, "status": "void"}
    return say(
        options, told, f"the calibration of {options.code} on {options.calibrated_on} is void"
    )


def show(options: Namespace) -> int:
    """One sensor with its history."""
    found = sensors.show_sensor(session_of(options), options.code)
    from durability.report.answers import calibration as answer

    return show_answer(options, answer.blocks(found), lambda: found)
