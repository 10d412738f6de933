"""Commands of the bench: specimens, sensors, series, drops, damage, and the keyboard session."""

from __future__ import annotations

import argparse

from durability.cli.parser import common
from durability.cli.parser.common import Parser
from durability.record.vocabulary import DAMAGE_MODES, MOUNTINGS, NOT_REMOUNTED


def init(made: Parser) -> None:
    """Fill ``init``."""
    made.writes("logbook:init", "init", "init --store lab.duckdb --site Leeds")
    made.add_argument(
        "--site",
        metavar="NAME",
        help="what this lab is called beside others whose records are merged: it is put before"
        " codes that several use, like Leeds:C-21; a store that exists is named, or renamed",
    )


def specimen(made: Parser) -> None:
    """Fill the family ``specimen``."""
    family = made.family(
        'specimen add C-21 --kind case --model "sleeve A"',
        "specimen list --kind case",
    )
    add = family.writes(
        "add",
        "add a case, device or dummy",
        "logbook:add_specimen",
        'specimen add C-21 --kind case --model "sleeve A" --lot 2026-04',
        "specimen add D-1 --kind dummy --mass-g 182",
    )
    common.specimen_code(add, "code", "its code, like C-21")
    add.add_argument(
        "--kind",
        required=True,
        choices=("case", "device", "dummy"),
        help="case: the protector; dummy: a rigid block of the device's mass",
    )
    add.add_argument("--model", metavar="M", help="model; cases of one model inform each other")
    add.add_argument("--lot", help="production lot")
    add.add_argument("--mass-g", metavar="GRAMS", help="mass, g or like 6.4oz")
    add.add_argument("--received-on", metavar="DATE", help="day of receipt, like 2026-05-31")
    add.add_argument("--note", metavar="WORDS", help="anything else worth keeping")
    listed = family.reads(
        "list",
        "list specimens",
        "logbook:list_specimens",
        "specimen list",
        "specimen list --kind device --json",
    )
    listed.add_argument("--kind", choices=("case", "device", "dummy"), help="only this kind")
    label = family.reads(
        "label",
        "draw a sheet of labels with QR codes to be scanned",
        "report:label",
        "specimen label C-21 C-22 R-7",
        "specimen label C-21 -o c21.svg",
    )
    common.specimen_code(label, "codes", "code of a specimen", nargs="+", metavar="CODE")
    label.add_argument(
        "-o",
        "--output",
        default="labels.pdf",
        metavar="FILE",
        help="the sheet: .pdf, .svg or .png (default labels.pdf); A4, 3 by 8 labels",
    )
    model = family.writes(
        "model",
        "record the pad of a case model and what it carries, or show its static stress",
        "logbook:model_pad",
        'specimen model "sleeve A" --pad-area-mm2 2400 \\\n    --pad-thickness-mm 6 --mass-g 212',
        'specimen model "sleeve A"',
    )
    common.shown_units(model)
    model.add_argument("model", help="a case model")
    model.add_argument(
        "--pad-area-mm2", metavar="MM2", help="area that takes the impact, mm² or like 24cm2"
    )
    model.add_argument(
        "--pad-thickness-mm", metavar="MM", help="thickness of the pad there, mm or like 0.25in"
    )
    model.add_argument(
        "--mass-g",
        metavar="GRAMS",
        help="what it carries: the case with its device or dummy, g or like 7oz",
    )
    show = family.reads(
        "show",
        "show one specimen",
        "logbook:show_specimen",
        "specimen show C-21",
        "specimen show R-7 --json",
    )
    common.specimen_code(show, "code", "code of the specimen")
    retire = family.writes(
        "retire",
        "mark a specimen as no longer in use",
        "logbook:retire_specimen",
        'specimen retire R-7 --state lost --reason "not returned"',
        "specimen retire C-21 --state retained --reason kept \\\n    --retest-on 2027-06-01",
    )
    common.specimen_code(retire, "code", "code of the specimen")
    retire.add_argument("--reason", required=True, metavar="WHY", help="why it is out of use")
    retire.add_argument(
        "--state",
        choices=("retired", "retained", "lost", "sold", "destroyed", "refused"),
        default="retired",
        metavar="STATE",
        help="what became of it: retired (default), lost, sold, destroyed, retained (kept to be"
        " tested again) or refused (its owner permits no further inspection)",
    )
    retire.add_argument(
        "--retest-on",
        action="append",
        default=[],
        metavar="DATE",
        help="when a retained one is to be tested again; repeatable",
    )
    dispose = family.writes(
        "dispose",
        "record that a specimen, or its cell, was disposed of: how, where to, by whom",
        "logbook:dispose_specimen",
        'specimen dispose R-7 --how "handed over as damaged cell" \\\n'
        '    --where "licensed recycler" --by "A. Reid"',
        'specimen dispose R-7 --part cell --how "taken out, recycled" \\\n    --by "A. Reid"',
    )
    common.specimen_code(dispose, "code", "code of the specimen")
    dispose.add_argument("--how", required=True, metavar="HOW", help="how it was disposed of")
    dispose.add_argument("--where", metavar="WHERE", help="where to, or who took it over")
    dispose.add_argument(
        "--part", metavar="PART", help="only this part, like cell; the specimen stays in use"
    )
    dispose.add_argument("--on", metavar="DATE", help="the day of the disposal; else today")
    dispose.add_argument("--reason", metavar="WHY", help="why, or the number of a certificate")
    back = family.writes(
        "return",
        "take a specimen back into use: a lost one has turned up, a disposal was a mistake",
        "logbook:return_specimen",
        'specimen return R-7 --reason "found in the store room"',
    )
    common.specimen_code(back, "code", "code of the specimen")
    back.add_argument("--reason", required=True, metavar="WHY", help="how it came back")
    same = family.writes(
        "same",
        "say that two codes, given at two labs, are one thing: one dose, one age",
        "logbook:same_specimen",
        'specimen same Leeds:R-7 York:R-7 --reason "one serial number"',
        'specimen same Leeds:R-7 York:R-7 --undo --reason "label misread"',
    )
    common.specimen_code(same, "code", "one of its codes")
    common.specimen_code(same, "other", "the other one; all is kept under the one entered first")
    same.add_argument("--reason", required=True, metavar="WHY", help="how that is known")
    same.add_argument(
        "--undo",
        action="store_true",
        help="take it back: they are two; both statements stay in the record",
    )
    clear = family.writes(
        "clear",
        "end the quarantine of a device; needs the name of a person",
        "logbook:clear_specimen",
        'specimen clear R-7 --by "A. Reid" --reason "flat, cold, no smell"',
        'specimen clear R-7 --by "A. Reid" --reason flat \\\n'
        '    --check "battery swelling=pass, 5.1 mm"',
    )
    common.specimen_code(clear, "code", "code of the device")
    clear.add_argument("--reason", required=True, metavar="WHY", help="what was found")
    clear.add_argument(
        "--check",
        dest="checks",
        action="append",
        default=[],
        metavar="FUNCTION=OUTCOME",
        help="the battery check that this rests on, unless the record holds one made since the"
        " quarantine began; words after a comma are a note; repeatable",
    )
    amend = family.writes(
        "amend",
        "correct a specimen's record",
        "logbook:amend_specimen",
        'specimen amend C-21 --set lot=2026-05 --reason "misread label"',
    )
    common.specimen_code(amend, "code", "code of the specimen")
    common.amendment(amend)


def sensor(made: Parser) -> None:
    """Fill the family ``sensor``."""
    family = made.family("sensor list", "sensor show A-1")
    add = family.writes(
        "add",
        "add a sensor",
        "logbook:add_sensor",
        "sensor add A-1 --sensitivity-mv-per-g 0.5 --full-scale-g 10000",
        "sensor add A-2 --calibration-due 2027-03-01",
    )
    add.add_argument("code", help="its code, like A-1")
    add.add_argument("--sensitivity-mv-per-g", metavar="MV_PER_G", help="sensitivity, mV/g")
    add.add_argument("--full-scale-g", metavar="G", help="largest acceleration it reads, g")
    add.add_argument("--natural-frequency-hz", metavar="HZ", help="mounted natural frequency, Hz")
    add.add_argument("--calibrated-on", metavar="DATE", help="day of its latest calibration")
    add.add_argument("--calibration-due", metavar="DATE", help="day the next calibration is due")
    add.add_argument("--note", metavar="WORDS", help="anything else worth keeping")
    family.reads("list", "list sensors", "logbook:list_sensors", "sensor list")
    calibrate = family.writes(
        "calibrate",
        "record a calibration, and which drops it puts in doubt",
        "plans:calibrate",
        "sensor calibrate A-1 --calibrated-on 2027-02-20 \\\n"
        "    --calibration-due 2028-02-20 --as-found-mv-per-g 0.53 --certificate C-77",
    )
    calibrate.add_argument("code", help="code of the sensor")
    calibrate.add_argument(
        "--calibrated-on", required=True, metavar="DATE", help="day of the calibration"
    )
    calibrate.add_argument(
        "--calibration-due", required=True, metavar="DATE", help="day the next one is due"
    )
    calibrate.add_argument(
        "--as-found-mv-per-g", metavar="K", help="sensitivity before any adjustment, mV/g"
    )
    calibrate.add_argument(
        "--as-left-mv-per-g",
        metavar="K",
        help="sensitivity after it; without: not adjusted, left as found",
    )
    calibrate.add_argument(
        "--at",
        action="append",
        default=[],
        metavar="G=K",
        help="sensitivity at a peak of shock (ISO 16063-22), mV/g; repeatable",
    )
    calibrate.add_argument(
        "--uncertainty-pct",
        metavar="PCT",
        help="its expanded uncertainty as the certificate states it (k = 2), of a reading",
    )
    calibrate.add_argument("--certificate", metavar="NUMBER", help="number of the certificate")
    calibrate.add_argument("--laboratory", metavar="NAME", help="who calibrated")
    calibrate.add_argument(
        "--interval-reason",
        metavar="WHY",
        help="needed when the interval differs from that of the calibration before",
    )
    calibrate.add_argument(
        "--drift-tolerance-pct",
        metavar="PCT",
        help="drift that puts the drops since the calibration before in doubt (default 5)",
    )
    calibrate.add_argument("--note", metavar="WORDS", help="anything else worth keeping")
    mount = family.writes(
        "mount",
        "record how the sensor of a series was mounted, or mounted again (ISO 5348)",
        "plans:mount",
        "sensor mount S21 --as stud",
        'sensor mount S21 --as wax --from-drop 12 --note "stud stripped"',
    )
    mount.add_argument("series", help="code of the series")
    mount.add_argument(
        "--as",
        dest="mounting",
        required=True,
        metavar="HOW",
        choices=(*MOUNTINGS, NOT_REMOUNTED),
        help=f"{', '.join(MOUNTINGS)}; {NOT_REMOUNTED}: takes back one entered in error",
    )
    mount.add_argument(
        "--from-drop", type=int, metavar="N", help="first drop made so (default the next)"
    )
    mount.add_argument(
        "--uncertainty-pct",
        metavar="PCT",
        help="that it brings to a reading, expanded (k = 2), as the lab has found or estimates it",
    )
    mount.add_argument("--note", metavar="WORDS", help="torque, adhesive, place")
    void = family.writes(
        "void",
        "void a calibration entered in error: kept, no longer in force",
        "plans:void",
        'sensor void A-1 2027-02-20 --reason "certificate of another sensor"',
    )
    void.add_argument("code", help="code of the sensor")
    void.add_argument("calibrated_on", metavar="DATE", help="day of the calibration")
    void.add_argument("--reason", required=True, metavar="WHY", help="why it is void")
    show = family.reads(
        "show",
        "one sensor: calibrations, drift, changes of interval, drops in doubt",
        "plans:calibration_show",
        "sensor show A-1",
    )
    show.add_argument("code", help="code of the sensor")


def recorder(made: Parser) -> None:
    """Fill the family ``recorder``."""
    family = made.family(
        "recorder add LOGGER --channel CH2 --units V --gain 10", "recorder show LOGGER"
    )
    add = family.writes(
        "add",
        "keep what a recorder's files leave open; for a known one, as its next version",
        "files:add_recorder",
        "recorder add LOGGER --channel CH2 --units V --gain 10",
        "recorder add SCOPE --decimal comma --first-line 12",
    )
    add.add_argument("name", help="its name, like LOGGER")
    common.described_file(add)
    add.add_argument("--note", metavar="WORDS", help="anything else worth keeping")
    family.reads("list", "list recorders", "files:list_recorders", "recorder list")
    show = family.reads(
        "show",
        "one recorder: its options, version by version, and the drops read with each",
        "files:show_recorder",
        "recorder show LOGGER",
    )
    show.add_argument("name", help="name of the recorder")


def series(made: Parser) -> None:
    """Fill the family ``series``."""
    family = made.family(
        "series open S21 --device D-1 --case C-21 --drop-height-mm 1220",
        "series show S21",
    )
    opened = family.writes(
        "open",
        "open a drop series",
        "logbook:open_series",
        "series open S21 --device D-1 --case C-21 \\\n"
        '    --drop-height-mm 1220 --surface "steel on concrete"',
        "series open S22 --device D-1 --purpose reference --sensor A-1",
    )
    opened.add_argument("code", help="code of the new series, like S21")
    opened.add_argument("--device", required=True, metavar="CODE", help="device or dummy dropped")
    opened.add_argument("--case", metavar="CODE", help="the case around it; bare without")
    opened.add_argument(
        "--device-kind",
        choices=("device", "dummy"),
        help="kind of a device that is new in the record",
    )
    opened.add_argument(
        "--device-model", metavar="M", help="model of a device that is new in the record"
    )
    opened.add_argument(
        "--case-model", metavar="M", help="model of a case that is new in the record"
    )
    opened.add_argument(
        "--drop-height-mm", metavar="MM", help="nominal free-fall height, mm or like 48in"
    )
    opened.add_argument("--surface", help="what it lands on, like steel on concrete")
    opened.add_argument("--orientation", help="what strikes first, like corner 2-3-5")
    opened.add_argument("--sensor", metavar="CODE", help="code of the accelerometer")
    opened.add_argument(
        "--purpose",
        choices=("test", "reference"),
        default="test",
        help="reference: drops of one dummy on one unchanging pad, to watch the rig (default test)",
    )
    opened.add_argument(
        "--method",
        help="standard, edition and clause followed; a transport shock test is no substitute for a"
        " drop: UN 38.3 T.4 is 150 g for 6 ms, 5.6 m/s, and a fall from 1.22 m with a rebound of"
        " 0.3 is 6.4 m/s",
    )
    opened.add_argument("--fixture", help="how it is held and released")
    opened.add_argument("--conditioning", help="atmosphere and time before the drops")
    opened.add_argument(
        "--settling-drops",
        metavar="N",
        help="this many first drops settle the case: they count in age, dose and damage, not in the"
        " verdict; declared before the first drop",
    )
    opened.add_argument("--note", metavar="WORDS", help="anything else worth keeping")
    common.despite_failed(opened)
    close = family.writes(
        "close",
        "close a series to drops",
        "logbook:close_series",
        'series close S21 --reason "case failed"',
    )
    close.add_argument("code", help="code of the series")
    close.add_argument("--reason", required=True, metavar="WHY", help="why it ends")
    listed = family.reads(
        "list",
        "list series",
        "logbook:list_series",
        "series list",
        'series list --case-model "sleeve A"',
    )
    common.named(listed)
    show = family.reads(
        "show", "show one series and its drops", "logbook:show_series", "series show S21"
    )
    show.add_argument("code", help="code of the series")
    amend = family.writes(
        "amend",
        "correct a series' conditions",
        "logbook:amend_series",
        "series amend S21 --set drop_height_mm=1220 --reason forgotten",
    )
    amend.add_argument("code", help="code of the series")
    common.amendment(amend)


def drop(made: Parser) -> None:
    """Fill the family ``drop``."""
    family = made.family("drop add S21 --peak-g 118", "drop list --series S21")
    add = family.writes(
        "add",
        "store the next drop of a series",
        "logbook:add_drop",
        "drop add S21 --peak-g 118 --pulse-duration-ms 6.2",
        "drop add S21 --peak-g 125 --damage-severity 2 --damage-mode crack",
    )
    add.add_argument("series", help="code of an open series")
    peak = add.add_mutually_exclusive_group()
    peak.add_argument(
        "peak_g",
        nargs="?",
        default=argparse.SUPPRESS,
        metavar="PEAK_G",
        help="largest absolute acceleration, g or like 1180m/s2",
    )
    peak.add_argument("--peak-g", metavar="G", help="the same")
    add.add_argument(
        "--pulse-duration-ms", metavar="MS", help="time between the 10 %% crossings, ms"
    )
    add.add_argument(
        "--velocity-change-m-s", metavar="M_S", help="integral of the first impact, m/s"
    )
    add.add_argument(
        "--achieved-height-mm", metavar="MM", help="height measured at this drop, mm or like 4ft"
    )
    add.add_argument("--temperature-c", metavar="C", help="temperature at the drop, °C or like 70F")
    add.add_argument("--dropped-at", metavar="TIME", help="ISO 8601; else now")
    add.add_argument(
        "--damage-severity",
        metavar="N",
        help="damage seen on the case: 0 none, 1 cosmetic, 2 minor, 3 major, 4 failed",
    )
    add.add_argument("--damage-mode", metavar="WORD", help="one of the modes of damage add --help")
    add.add_argument("--damage-location", metavar="WHERE", help="where the damage is")
    add.add_argument("--damage-note", metavar="WORDS", help="what was seen, in words")
    add.add_argument("--note", metavar="WORDS", help="anything else worth keeping")
    add.add_argument(
        "--void-reason", metavar="WHY", help="store it void: it happened, but does not count"
    )
    common.despite_quarantine(add)
    common.despite_failed(add)
    bulk = family.writes(
        "bulk",
        "store a number of falls without readings, as of repeated free fall (IEC 60068-2-31)",
        "logbook:add_falls",
        "drop bulk T5 --count 100",
        "drop bulk T5 --count 500 --dropped-at 2026-11-03T14:20",
    )
    bulk.add_argument(
        "series",
        help="code of an open series with drop height and surface, not of one attitude",
    )
    bulk.add_argument(
        "--count", type=int, required=True, metavar="N", help="how many falls, like 100"
    )
    bulk.add_argument("--dropped-at", metavar="TIME", help="their end, ISO 8601; else now")
    bulk.add_argument("--note", metavar="WORDS", help="anything else worth keeping")
    common.despite_quarantine(bulk)
    common.despite_failed(bulk)
    for name, help_, example, why in (
        (
            "void",
            "void a drop: kept and shown, left out of estimates",
            'drop void S21 7 --reason "cable snag"',
            "physical cause; never the value alone",
        ),
        (
            "restore",
            "make a voided drop, or one taken out as never made, count again",
            'drop restore S21 7 --reason "cable was sound"',
            "why it counts after all",
        ),
        (
            "never",
            "take out an entry that was not a drop: out of every count, kept and listed",
            'drop never S21 7 --reason "entered twice"',
            "how the entry came about",
        ),
    ):
        made = family.writes(name, help_, f"logbook:{name}_drop", example)
        made.add_argument("series", help="code of the series")
        made.add_argument("drop_number", type=int, help="number of the drop")
        if name != "void":
            made.add_argument(
                "--through",
                type=int,
                metavar="M",
                help="and every drop after it up to number M, as of falls counted wrong",
            )
        made.add_argument("--reason", required=True, metavar="WHY", help=why)
    amend = family.writes(
        "amend",
        "correct a drop; the first value stays in the record",
        "logbook:amend_drop",
        'drop amend S21 7 --set peak_g=118 --reason "typed wrong"',
    )
    amend.add_argument("series", help="code of the series")
    amend.add_argument("drop_number", type=int, help="number of the drop")
    common.amendment(amend)
    listed = family.reads(
        "list",
        "list drops, voided ones too",
        "logbook:list_drops",
        "drop list",
        "drop list S21 --json",
    )
    listed.add_argument("codes", nargs="*", metavar="SERIES", help="only these series")
    listed.add_argument("--series", action="append", metavar="S", help="the same; repeatable")


def damage(made: Parser) -> None:
    """Fill the family ``damage``."""
    example = 'damage add C-21 --severity 2 --mode crack --location "corner 2-3-5"'
    family = made.family(example)
    add = family.writes(
        "add",
        "note damage, by default after the latest drop",
        "logbook:add_damage",
        example,
        "damage add C-21 --severity 4 --series S21 --drop 24 --photo c21.jpg",
    )
    add.add_argument("specimen", help="code of the damaged case or device")
    add.add_argument(
        "--severity",
        required=True,
        metavar="N",
        help="0 none, 1 cosmetic, 2 minor, 3 major, 4 failed",
    )
    add.add_argument("--mode", metavar="WORD", help=", ".join(DAMAGE_MODES))
    add.add_argument("--location", metavar="WHERE", help="where it is, like corner 2-3-5")
    add.add_argument("--note", metavar="WORDS", help="what was seen, in words")
    add.add_argument(
        "--photo",
        dest="photos",
        action="append",
        default=[],
        metavar="FILE",
        help="a photo of it, kept beside the store by its SHA-256; repeatable",
    )
    add.add_argument("--inspector", metavar="NAME", help="who saw it; else who enters it")
    add.add_argument("--series", metavar="S", help="series after whose drop it was seen")
    add.add_argument(
        "--drop",
        type=int,
        metavar="NUMBER",
        dest="drop_number",
        help="number of the drop after which it was seen",
    )


def review(made: Parser) -> None:
    """Fill ``review``."""
    made.writes("logbook:review", "review S21 --by N.", "review S21 7 --by N.")
    made.add_argument("series", help="code of the series")
    made.add_argument(
        "drop_number", nargs="?", type=int, help="number of a drop; by default every drop so far"
    )


def record(made: Parser) -> None:
    """Fill ``record``."""
    made.writes("session:record", "record S21", "record S21 --plan sheet.csv --rest-s 120")
    made.add_argument(
        "series", help="code of an open series; scanned, that of its case or device too"
    )
    made.add_argument(
        "--plan", metavar="FILE", help="follow a drop sheet made by: durability plan sheet"
    )
    made.add_argument(
        "--rest-s",
        type=common.rest_time,
        metavar="S",
        help="least rest between drops, s; a shorter one is noted with the drop",
    )
    common.despite_failed(made)
    common.limit(made)
    common.recorder_file(made)
