"""Binary files of recorders: samples, rate, unit, scale, or one line that says what is open."""

import datetime as dt
import io
import random
import struct
import zlib

import numpy as np
import pytest

from durability.intake.waveforms import CrossChannel, read_waveform
from durability.record.errors import LibraryMissing, WaveformUnreadable

RATE_HZ = 20_000.0
N = 400
T = np.arange(N) / RATE_HZ
PULSE_G = np.where((T > 0.005) & (T < 0.008), 100.0 * np.sin(np.pi * (T - 0.005) / 0.003), 0.0)
PULSE_G += 0.05 * np.sin(2.0 * np.pi * 1234.5 * T)
OTHER = np.cos(T * 700.0)


# ------------------------------------------------------- bytes, each by its published layout


def riff(*chunks):
    """RIFF (IBM and Microsoft, Multimedia Programming Interface and Data Specifications 1.0)."""
    body = b"".join(
        kind + struct.pack("<I", len(data)) + data + b"\0" * (len(data) % 2)
        for kind, data in chunks
    )
    return b"RIFF" + struct.pack("<I", 4 + len(body)) + b"WAVE" + body


def wav(samples, *beside, rate=int(RATE_HZ), kind=None):
    samples = np.atleast_2d(samples)
    kind = kind or (3 if samples.dtype.kind == "f" else 1)
    bits = 8 * samples.dtype.itemsize
    channels = samples.shape[0]
    block = channels * bits // 8
    head = struct.pack("<HHIIHH", kind, channels, rate, rate * block, block, bits)
    return riff((b"fmt ", head), *beside, (b"data", samples.T.tobytes()))


def mat(*variables, compressed=False):
    """MAT-File Format (The MathWorks), level 5: header, then one miMATRIX a variable."""

    def element(kind, data):
        return struct.pack("<II", kind, len(data)) + data + b"\0" * (-len(data) % 8)

    out = b"MATLAB 5.0 MAT-file".ljust(124) + b"\x00\x01IM"
    for name, values in variables:
        if isinstance(values, str):
            flags, dims = 4, (1, len(values))
            real = element(4, values.encode("utf-16-le"))
        else:
            flags, dims = 6, values.shape if values.ndim == 2 else (values.size, 1)
            real = element(9, np.asarray(values, "<f8").tobytes("F"))
        one = element(6, struct.pack("<II", flags, 0)) + element(5, struct.pack("<ii", *dims))
        one = element(14, one + element(1, name.encode()) + real)
        packed = zlib.compress(one)
        out += struct.pack("<II", 15, len(packed)) + packed if compressed else one
    return out


def block(samples, preamble):
    """A definite-length block, IEEE 488.2-1992, 8.7.9."""
    data = samples.tobytes()
    count = str(len(data))
    return preamble.encode() + f"#{len(count)}{count}".encode() + data + b"\n"


PREAMBLE = (
    ':WFMPRE:BYT_NR 2;BIT_NR 16;ENCDG BIN;BN_FMT RI;BYT_OR MSB;NR_PT 400;WFID "CH1, DC";PT_FMT Y;'
    'XINCR 5.0E-5;PT_OFF 0;XZERO 0.0;XUNIT "s";YMULT 1.0E-2;YZERO 0.0;YOFF 100.0;YUNIT "g";'
    ":CURVE "
)


def universal(
    values, *, unit="g", kind=1, spec=12, digits="{:13.5E}", wide=6, count=None, extra=""
):
    """Dataset 58 (SDRC Universal File Datasets, 1988): real, single precision, even spacing."""
    head = [
        "    -1",
        "    58",
        "Accel 1",
        "NONE",
        "14-Mar-26 10:15:00",
        "NONE",
        "NONE",
        f"{kind:5d}{0:10d}{0:5d}{0:10d} {'NONE':10s}{1:10d}{3:4d} {'NONE':10s}{0:10d}{0:4d}",
        f"{2:10d}{count or len(values):10d}{1:10d}{0.0:13.5E}{1 / RATE_HZ:13.5E}{0.0:13.5E}",
        f"{17 if kind == 1 else 18:10d}{0:5d}{0:5d}{0:5d} {'Time':20s} {'s':20s}",
        f"{spec:10d}{0:5d}{0:5d}{0:5d} {'Acceleration':20s} {unit:20s}",
        f"{0:10d}{0:5d}{0:5d}{0:5d} {'NONE':20s} {'NONE':20s}",
        f"{0:10d}{0:5d}{0:5d}{0:5d} {'NONE':20s} {'NONE':20s}",
    ]
    rows = [
        "".join(digits.format(v) for v in values[i : i + wide]) for i in range(0, len(values), wide)
    ]
    return "\n".join([*head, *rows, "    -1", ""]).encode() + extra.encode()


def universal_binary(values, order="<"):
    data = np.asarray(values, f"{order}f4").tobytes()
    text = universal(values).decode().split("\n")
    text[1] = f"    58b{1 if order == '<' else 2:6d}{2:6d}{11:12d}{len(data):12d}" + f"{0:6d}" * 2
    text[1] += f"{0:12d}" * 2
    return "\n".join(text[:13]).encode() + b"\n" + data + b"\n    -1\n"


def tdms(values, unit="g", **properties):
    """TDMS File Format Internal Structure, the published description: one segment."""

    def text(words):
        return struct.pack("<I", len(words.encode())) + words.encode()

    def said(pairs):
        out = struct.pack("<I", len(pairs))
        for key, value in pairs.items():
            kind, data = (
                (0x20, text(value)) if isinstance(value, str) else (10, struct.pack("<d", value))
            )
            out += text(key) + struct.pack("<I", kind) + data
        return out

    channel = {"wf_increment": 1 / RATE_HZ, "wf_start_offset": 0.0, **properties}
    if unit:
        channel["unit_string"] = unit
    none = struct.pack("<I", 0xFFFFFFFF)
    index = struct.pack("<IIIQ", 20, 10, 1, len(values))
    meta = struct.pack("<I", 3)
    meta += text("/") + none + said({}) + text("/'drop'") + none + said({})
    meta += text("/'drop'/'accel'") + index + said(channel)
    data = np.asarray(values, "<f8").tobytes()
    lead = b"TDSm" + struct.pack("<IIQQ", 2 | 4 | 8, 4713, len(meta) + len(data), len(meta))
    return lead + meta + data


def hdf5(fill):
    h5py = pytest.importorskip("h5py", reason="extra hdf5 is not installed")
    held = io.BytesIO()
    with h5py.File(held, "w") as file:
        fill(file)
    return held.getvalue()


def a_dataset(file, **said):
    made = file.create_dataset("run1/accel", data=PULSE_G, compression="gzip")
    made.attrs.update({"units": "g", "sample_rate": RATE_HZ, **said})


def mdf(unit="g", **kept):
    asammdf = pytest.importorskip("asammdf", reason="extra mdf is not installed")
    held = io.BytesIO()
    made = asammdf.MDF(version="4.10")
    made.start_time = dt.datetime(2026, 3, 14, 10, 15, tzinfo=dt.UTC)
    made.append(
        [
            asammdf.Signal(samples=PULSE_G, timestamps=T, name="accel", unit=unit, **kept),
            asammdf.Signal(samples=OTHER, timestamps=T, name="temp", unit="degC"),
        ]
    )
    made.save(held, overwrite=True)
    made.close()
    return held.getvalue()


FLOATS = PULSE_G.astype("<f4")
COUNTS = np.rint(PULSE_G / 0.01 + 100).astype(">i2")

READ = {
    "wav of floats": ("a.wav", lambda: wav(FLOATS), {"units": "g"}),
    "wav of floats up to 1": (
        "a.wav",
        lambda: wav((PULSE_G / 500).astype("<f4")),
        {"full_scale_g": 500.0},
    ),
    "wav of 16 bits": (
        "a.wav",
        lambda: wav(np.rint(PULSE_G / 500 * 32768).astype("<i2")),
        {"full_scale_g": 500.0},
    ),
    "wav whose comment says what a count is worth": (
        "a.wav",
        lambda: wav(
            np.rint(PULSE_G / 0.01).astype("<i2"),
            (b"LIST", b"INFO" + b"ICMT" + struct.pack("<I", 18) + b"LSB: 0.01 g/count\0"),
        ),
        {},
    ),
    "wav, second channel": (
        "a.wav",
        lambda: wav(np.array([OTHER, PULSE_G], "<f4")),
        {"channel": "CH2", "units": "g"},
    ),
    "mat": ("a.mat", lambda: mat(("accel_g", PULSE_G), ("fs", np.array([RATE_HZ]))), {}),
    "mat, compressed, with time": (
        "a.mat",
        lambda: mat(("time", T), ("accel", PULSE_G), ("units", "g"), compressed=True),
        {"time_unit": "s", "units": "g"},
    ),
    "waveform block": ("a.isf", lambda: block(COUNTS, PREAMBLE), {}),
    "waveform block, other order": (
        "a.bin",
        lambda: block(COUNTS.astype("<i2"), PREAMBLE.replace("MSB", "LSB")),
        {},
    ),
    "waveform block of volts": (
        "a.bin",
        lambda: block(
            (PULSE_G / 100).astype("<f4"), "BYT_NR=4;BN_FMT=FP;BYT_OR=LSB;XINCR=5e-5;YUNIT=V;"
        ),
        {"mv_per_g": 10.0},
    ),
    "ten numbers and bytes": (
        "a.bin",
        lambda: block(
            np.rint(PULSE_G + 128).astype("u1"),
            "+0,+0,+400,+1,+5.0E-05,+0.0E+00,+0,+1.0E-02,+0.0E+00,+128\n",
        ),
        {"units": "V", "mv_per_g": 10.0},
    ),
    "waveform block without bits": (
        "a.bin",
        lambda: block(
            COUNTS,
            PREAMBLE.replace("BIT_NR 16;", "").replace("5.0E-5", "50").replace('"s"', '"us"'),
        ),
        {},
    ),
    "universal file": ("a.uff", lambda: universal(PULSE_G), {}),
    "universal file, in m/s2": ("a.unv", lambda: universal(PULSE_G * 9.80665, unit="m/s^2"), {}),
    "universal file, binary": ("a.uff", lambda: universal_binary(PULSE_G), {}),
    "universal file, binary, big": ("a.uff", lambda: universal_binary(PULSE_G, ">"), {}),
    "tdms": ("a.tdms", lambda: tdms(PULSE_G), {}),
    "tdms in volts": (
        "a.tdms",
        lambda: tdms(PULSE_G / 100, "V", sensitivity=10.0, sensitivity_units="mV/g"),
        {},
    ),
    "hdf5": ("a.h5", lambda: hdf5(a_dataset), {}),
    "hdf5 by path": (
        "a.h5",
        lambda: hdf5(lambda f: (a_dataset(f), f.create_dataset("run2/accel", data=PULSE_G[:99]))),
        {"channel": "run1/accel"},
    ),
    "mdf": ("a.mf4", mdf, {"channel": "accel"}),
}
NEEDS = {"universal": "pyuff", "tdms": "nptdms"}


def written(folder, name, content):
    path = folder / name
    path.write_bytes(content)
    return path


def skip_without(words):
    for word, module in NEEDS.items():
        if words.startswith(word):
            pytest.importorskip(module, reason="extra recorders is not installed")


@pytest.mark.parametrize("case", READ)
def test_a_binary_file_gives_its_samples_and_rate(tmp_path, case):
    skip_without(case)
    name, make, told = READ[case]
    found = read_waveform(written(tmp_path, name, make()), **told)
    tolerance = 0.6 if case.startswith("ten") else 0.02
    np.testing.assert_allclose(found.acceleration_g, PULSE_G, atol=tolerance)
    assert found.sample_rate_hz == pytest.approx(RATE_HZ, rel=1e-5)
    assert found.file_sha256


MV_PER_G = {"mv_per_g": 10.0}

REFUSED = {
    "wav, no scale": (
        "a.wav",
        lambda: wav(np.rint(FLOATS * 9).astype("<i2")),
        {},
        "--full-scale-g",
    ),
    "wav in volts, no scale": (
        "a.wav",
        lambda: wav(np.rint(FLOATS * 9).astype("<i2")),
        {"units": "V", "mv_per_g": 10.0},
        "--full-scale-g",
    ),
    "wav in volts, full scale in g": (
        "a.wav",
        lambda: wav(np.rint(FLOATS * 9).astype("<i2")),
        {"units": "V", "mv_per_g": 10.0, "full_scale_g": 5000.0},
        "leave --units out",
    ),
    "wav of floats, no unit": ("a.wav", lambda: wav(FLOATS), {}, "--units"),
    "wav with a gain": (
        "a.wav",
        lambda: wav(FLOATS, (b"LIST", b"INFO" + b"ICMT" + struct.pack("<I", 8) + b"gain=10\0")),
        {},
        "--units",
    ),
    "wav, cut": ("a.wav", lambda: wav(FLOATS)[:-50], {"units": "g"}, "cut"),
    "wav, two channels": (
        "a.wav",
        lambda: wav(np.array([OTHER, PULSE_G], "<f4")),
        {"units": "g"},
        "CH1",
    ),
    "mat, no rate": ("a.mat", lambda: mat(("accel_g", PULSE_G)), {}, "--sample-rate-hz"),
    "mat with a gain": (
        "a.mat",
        lambda: mat(("accel_V", PULSE_G), ("fs", np.array([RATE_HZ])), ("gain", np.array([10.0]))),
        MV_PER_G,
        "gain",
    ),
    "mat that states more than it holds": (
        "a.mat",
        lambda: mat(("a", PULSE_G)).replace(
            struct.pack("<ii", N, 1), struct.pack("<ii", 1 << 30, 1)
        ),
        {},
        "are stated",
    ),
    "block without width": (
        "a.bin",
        lambda: block(COUNTS, PREAMBLE.replace("BYT_NR 2;BIT_NR 16;", "")),
        {},
        "BYT_NR",
    ),
    "block without order": (
        "a.bin",
        lambda: block(COUNTS, PREAMBLE.replace("BYT_OR MSB;", "")),
        {},
        "BYT_OR",
    ),
    "block without sign": (
        "a.bin",
        lambda: block(COUNTS, PREAMBLE.replace("BN_FMT RI;", "")),
        {},
        "BN_FMT",
    ),
    "block of counts": (
        "a.bin",
        lambda: block(COUNTS, PREAMBLE.replace("YMULT 1.0E-2;", "")),
        {},
        "counts",
    ),
    "block of pairs": (
        "a.bin",
        lambda: block(COUNTS, PREAMBLE.replace("PT_FMT Y", "PT_FMT ENV")),
        {},
        "the least and the largest",
    ),
    "block of other length": (
        "a.bin",
        lambda: block(COUNTS, PREAMBLE.replace("NR_PT 400", "NR_PT 800")),
        {},
        "400 samples where the preamble says 800",
    ),
    "block, cut": ("a.bin", lambda: block(COUNTS, PREAMBLE)[:-90], {}, "cut"),
    "block with an attenuation": (
        "a.bin",
        lambda: block(COUNTS, PREAMBLE.replace(":CURVE", "gain 10;:CURVE").replace('"g"', '"V"')),
        MV_PER_G,
        "gain",
    ),
    "universal file, spectrum": ("a.uff", lambda: universal(PULSE_G, kind=4), {}, "type 4"),
    "universal file, its abscissa open": (
        "a.uff",
        lambda: universal(PULSE_G, kind=0),
        {},
        "without a record over time",
    ),
    "universal file, no unit": ("a.uff", lambda: universal(PULSE_G, unit="NONE"), {}, "--units"),
    "universal file, cut": ("a.uff", lambda: universal(PULSE_G)[:-400], {}, "cut off"),
    "universal file, short": ("a.uff", lambda: universal(PULSE_G, count=N + 9), {}, "409"),
    "universal file, two": (
        "a.uff",
        lambda: universal(PULSE_G) + universal(PULSE_G[:90]),
        {},
        "--channel",
    ),
    "tdms with a gain": ("a.tdms", lambda: tdms(PULSE_G, "V", gain=10.0), MV_PER_G, "gain"),
    "tdms, cut in the head of its second segment": (
        "a.tdms",
        lambda: tdms(PULSE_G[:200]) + tdms(PULSE_G[200:])[:100],
        {},
        "cut",
    ),
    "tdms, cut": ("a.tdms", lambda: tdms(PULSE_G)[:-800], {}, "cut"),
    "hdf5 with a gain": (
        "a.h5",
        lambda: hdf5(lambda f: a_dataset(f, gain=10.0, units="V")),
        MV_PER_G,
        "gain",
    ),
    "hdf5, two rates": (
        "a.h5",
        lambda: hdf5(lambda f: a_dataset(f, dt=1e-5)),
        {},
        "--sample-rate-hz",
    ),
    "hdf5, two runs": (
        "a.h5",
        lambda: hdf5(lambda f: (a_dataset(f), f.create_dataset("run2/accel", data=PULSE_G))),
        {},
        "'run1/accel', 'run2/accel'",
    ),
    "hdf5, too large": (
        "a.h5",
        lambda: hdf5(lambda f: f.create_dataset("a", shape=(10**9,), dtype="f8", chunks=(1000,))),
        {},
        "MB",
    ),
    "mdf, a gain in a comment": (
        "a.mf4",
        lambda: mdf("V", comment="gain: 10"),
        {"channel": "accel", **MV_PER_G},
        "gain",
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_a_binary_file_leaves_open_is_refused_in_one_line(tmp_path, case):
    skip_without(case)
    name, make, told, words = REFUSED[case]
    with pytest.raises(WaveformUnreadable) as refused:
        read_waveform(written(tmp_path, name, make()), **told)
    assert words in str(refused.value)
    assert str(refused.value).startswith(name)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("case", [case for case in READ if "channel" not in READ[case][2]])
def test_damaged_bytes_are_refused_and_never_a_traceback(tmp_path, case):
    skip_without(case)
    name, make, told = READ[case]
    whole, rng = make(), random.Random(16)
    for turn in range(12):
        damaged = bytearray(whole)
        if turn % 3 == 0:
            damaged = damaged[: rng.randrange(1, len(whole))]
        else:
            for _ in range(1 if turn % 3 == 1 else 20):
                damaged[rng.randrange(min(len(damaged), 700))] = rng.randrange(256)
        try:
            read_waveform(written(tmp_path, name, bytes(damaged)), **told)
        except WaveformUnreadable as refused:
            assert "\n" not in str(refused)  # noqa: PT017


def test_channels_of_one_name_in_two_groups_are_two_records(tmp_path):
    h5py = pytest.importorskip("h5py", reason="extra hdf5 is not installed")
    with h5py.File(tmp_path / "a.h5", "w") as file:
        for number in (1, 2):
            made = file.create_dataset(f"run{number}/accel", data=number * PULSE_G)
            made.attrs.update({"units": "g", "sample_rate": RATE_HZ})
            file.create_dataset(f"run{number}/side", data=OTHER).attrs["units"] = "g"
    for number in (1, 2):
        found = read_waveform(
            tmp_path / "a.h5",
            channel=f"run{number}/accel",
            cross_channels=[CrossChannel(f"run{number}/side")],
        )
        assert found.channel == f"run{number}/accel"
        np.testing.assert_array_equal(found.acceleration_g, number * PULSE_G + 0.0)
        np.testing.assert_array_equal(found.cross[0].acceleration_g, OTHER)


def test_of_several_groups_the_only_one_that_can_be_meant_is_read(tmp_path):
    def fill(file):
        a_dataset(file)
        file.create_dataset("room/temperature", data=OTHER[:40]).attrs["units"] = "degC"

    found = read_waveform(written(tmp_path, "a.h5", hdf5(fill)))
    assert found.channel == "run1/accel"
    np.testing.assert_array_equal(found.acceleration_g, PULSE_G + 0.0)


def test_a_number_behind_a_hash_in_text_is_no_block(tmp_path):
    rows = "\n".join(f"{t * 1e6:.0f},{g:.3f}" for t, g in zip(T, PULSE_G))
    text = f"Serial #3100123, rig #5\nTime (µs),Accel (g)\n{rows}\n"
    for encoding in ("utf-8", "latin-1"):
        found = read_waveform(written(tmp_path, "a.csv", text.encode(encoding)))
        assert found.sample_rate_hz == pytest.approx(RATE_HZ)


def test_a_missing_library_names_the_extra_that_brings_it(tmp_path, monkeypatch):
    import sys

    for module, name, make, extra in (
        ("nptdms", "a.tdms", lambda: tdms(PULSE_G), "recorders"),
        ("pyuff", "a.uff", lambda: universal(PULSE_G), "recorders"),
        ("h5py", "a.h5", lambda: b"\x89HDF\r\n\x1a\n" + bytes(999), "hdf5"),
        ("asammdf", "a.mf4", lambda: b"MDF     4.10    " + bytes(999), "mdf"),
    ):
        monkeypatch.setitem(sys.modules, module, None)
        with pytest.raises(
            LibraryMissing, match=rf'pip install "durability\[{extra}\]"'
        ) as missing:
            read_waveform(written(tmp_path, name, make()))
        assert missing.value.exit_status == 2


def test_what_a_library_says_of_damage_names_no_address(tmp_path):
    pytest.importorskip("asammdf", reason="extra mdf is not installed")
    damaged = written(tmp_path, "a.mf4", b"MDF     4.10    " + bytes(99))
    with pytest.raises(WaveformUnreadable, match=r"no readable MDF file \(it is not") as fault:
        read_waveform(damaged)
    assert "0x" not in str(fault.value)


def test_dates_and_sensitivities_of_binary_files_are_used(tmp_path):
    pytest.importorskip("pyuff", reason="extra recorders is not installed")
    found = read_waveform(written(tmp_path, "a.uff", universal(PULSE_G)))
    assert found.recorded_at == "2026-03-14T10:15:00"
    assert found.channel == "Accel 1"
    bext = bytearray(602)
    bext[320:338] = b"2026-03-1410:15:00"
    found = read_waveform(
        written(tmp_path, "a.wav", wav(FLOATS, (b"bext", bytes(bext)))), units="g"
    )
    assert found.recorded_at == "2026-03-14T10:15:00"


def test_a_mat_file_written_by_scipy_is_read_with_its_structures(tmp_path):
    from scipy.io import savemat

    run = {"time_s": T, "accel": PULSE_G, "info": {"units": "g", "note": "drop 3"}}
    savemat(tmp_path / "a.mat", {"run": run}, do_compression=True)
    found = read_waveform(tmp_path / "a.mat", channel="run.accel", units="g")
    np.testing.assert_array_equal(found.acceleration_g, PULSE_G)
    savemat(tmp_path / "b.mat", {"data": np.column_stack([T, PULSE_G])})
    found = read_waveform(tmp_path / "b.mat", units="g", time_unit="s")
    assert found.sample_rate_hz == pytest.approx(RATE_HZ)
    np.testing.assert_array_equal(found.acceleration_g, PULSE_G)


def test_a_mat_file_is_bounded_unpacked(tmp_path, monkeypatch):
    from durability.intake.waveforms import containers

    monkeypatch.setattr(containers, "MAX_FILE_BYTES", 100_000)
    with pytest.raises(WaveformUnreadable, match="MB taken for one drop"):
        packed = mat(("a", np.zeros(20_000)), compressed=True)
        read_waveform(written(tmp_path, "a.mat", packed))
