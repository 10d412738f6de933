"""Files as recorders write them, of drops with a known truth; made without code of the product."""

from __future__ import annotations

import gzip
import io
import os
import zipfile
from pathlib import Path

import numpy as np

G = 9.80665
RATE_HZ = 150_000.0
MV_PER_G = 0.5
FULL_SCALE_G = 2000.0
HEIGHT_MM = 1220.0
"""4.89 m/s at impact."""
IMPACT_M_S = (2 * G * HEIGHT_MM / 1000) ** 0.5


def half_sine_g(
    peak_g=400.0, velocity_ratio=1.4, *, rate_hz=RATE_HZ, before_ms=10.0, after_ms=30.0, seed=0
):
    """A half-sine whose velocity change is that multiple of the impact velocity, with noise."""
    base_s = velocity_ratio * IMPACT_M_S / (peak_g * G * 2 / np.pi)
    t = np.arange(int((before_ms + after_ms) * 1e-3 * rate_hz)) / rate_hz - before_ms * 1e-3
    pulse = np.where((t > 0) & (t < base_s), peak_g * np.sin(np.pi * t / base_s), 0.0)
    noise = 0.003 * peak_g * np.random.default_rng(seed).standard_normal(t.size)
    return pulse + noise + 0.004 * peak_g


def stepped(record_g, range_g, bits=12):
    """As a recorder of so many bits sees it, clipped at its range."""
    step = 2 * range_g / 2**bits
    return np.clip(np.round(record_g / step) * step, -range_g, range_g - step)


def faulty_g(fault, seed=0):
    """A record with one fault on purpose; the full scale it goes with is FULL_SCALE_G."""
    record = half_sine_g(seed=seed)
    if fault == "clipped":
        return np.clip(record, -280.0, 280.0)
    if fault == "over_range":
        return half_sine_g(1.3 * FULL_SCALE_G, seed=seed)
    if fault == "zero_shift":
        after = np.arange(record.size) > 0.012 * RATE_HZ
        return record + np.where(after, 40.0, 0.0)
    if fault == "under_sampled":
        return half_sine_g(seed=seed, rate_hz=1500.0, after_ms=80.0, before_ms=40.0)
    if fault == "no_impact":
        return 0.2 * np.random.default_rng(seed).standard_normal(record.size)
    if fault == "second_impact":
        return record + 0.8 * np.roll(half_sine_g(seed=seed + 1), 2500)
    if fault == "velocity_implausible":
        return half_sine_g(velocity_ratio=3.0, seed=seed)
    raise ValueError(fault)


def write_volts(path, record_g, *, rate_hz=RATE_HZ, mv_per_g=MV_PER_G, head=()):
    """Preamble, two columns, time in s, volts of a 12-bit recorder; gzipped when so named."""
    range_g = 1.3 * float(np.abs(record_g).max())
    if "clipped" not in Path(path).name:
        record_g = stepped(record_g, range_g)
    volts = record_g * mv_per_g / 1000.0
    lines = ["Model,Recorder 12 bit", *head, "Time (s),CH1 (V)"]
    lines += [f"{i / rate_hz - 0.01:.9f},{v:.7g}" for i, v in enumerate(volts)]
    text = "\n".join(lines) + "\n"
    path = Path(path)
    if path.suffix == ".gz":
        path.write_bytes(gzip.compress(text.encode()))
    else:
        path.write_text(text, encoding="utf-8")
    return path


def rate_of(fault):
    return 1500.0 if fault == "under_sampled" else RATE_HZ


def npy(shape, content=b"", descr="<f8"):
    """A NumPy file whose header says so, whatever its content."""
    head = f"{{'descr': '{descr}', 'fortran_order': False, 'shape': {shape}, }}\n".encode()
    return b"\x93NUMPY\x01\x00" + len(head).to_bytes(2, "little") + head + content


def archive(content, **options):
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", **options) as file:
        file.writestr("a.npy", content)
    return bytearray(packed.getvalue())


def write_traps(folder):
    """Files that never end, are none, or break what reads them: name -> what is said of them."""
    os.mkfifo(folder / "pipe.csv")
    (folder / "folder.csv").mkdir()
    (folder / "loop.csv").symlink_to("loop.csv")
    (folder / "nowhere.csv").symlink_to("missing.csv")
    (folder / "zero.csv").symlink_to("/dev/zero")
    with (folder / "huge.csv").open("wb") as huge:
        huge.truncate(2_100_000_000)  # takes no room
    locked, odd = archive(npy((3,), bytes(24))), archive(npy((3,), bytes(24)))
    for place, at in ((0, 6), (locked.index(b"PK\x01\x02"), 8)):
        locked[place + at] |= 1
    for place, at in ((0, 8), (odd.index(b"PK\x01\x02"), 10)):
        odd[place + at] = 99
    bomb = archive(npy((3,), bytes(24)))  # which says of itself what it would unpack to
    size_at = bomb.index(b"PK\x01\x02") + 24
    bomb[size_at : size_at + 4] = (560_000_000).to_bytes(4, "little")
    torn = archive(npy((3,), bytes(24)), compression=zipfile.ZIP_LZMA)
    torn[60] ^= 255
    contents = {
        "locked.npz": locked,
        "odd.npz": odd,
        "bomb.npz": bomb,
        "torn.npz": torn,
        "vast.npy": npy((10**12,)),
        "over.npy": npy((2**62, 2**62)),
        "negative.npy": npy((-5,)),
        "objects.npy": npy((3,), bytes(24), "|O"),
        "open.npy": b"\x93NUMPY\x01\x00\x10\x00" + b"{" + b"(" * 15,
        "bad.csv.gz": b"\x1f\x8bnot gzip",
    }
    for name, content in contents.items():
        (folder / name).write_bytes(content)
    return {
        **dict.fromkeys(contents, "no readable"),
        "bad.csv.gz": "gzip",
        "pipe.csv": "a pipe or a device",
        "folder.csv": "a folder",
        "loop.csv": "Too many levels of symbolic links",
        "nowhere.csv": "No such file",
        "zero.csv": "a pipe or a device",
        "huge.csv": "2,100 MB, more than the 500 MB",
        "bomb.npz": "560 MB, more than the 500 MB",
    }
