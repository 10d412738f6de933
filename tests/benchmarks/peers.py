"""What a practitioner without this program would run instead; each in a process of its own."""

from __future__ import annotations

import sys


def connect(store):
    """Load DuckDB, open a store, close it."""
    import duckdb

    duckdb.connect(store).close()


def insert(store, file):
    """Read a CSV of drops by DuckDB alone and insert what it can read into a store's tables."""
    import duckdb

    with duckdb.connect(store) as connection:
        connection.execute("SET threads = 1")
        connection.execute("BEGIN")
        connection.execute(
            """
            CREATE TEMP TABLE read AS FROM read_csv($file, store_rejects = true, header = true,
                columns = {'series': 'VARCHAR', 'drop_number': 'INTEGER', 'peak_g': 'DOUBLE',
                    'dropped_at': 'TIMESTAMP', 'case': 'VARCHAR', 'case_model': 'VARCHAR',
                    'device': 'VARCHAR', 'drop_height_mm': 'DOUBLE', 'surface': 'VARCHAR',
                    'orientation': 'VARCHAR', 'temperature_c': 'DOUBLE', 'operator': 'VARCHAR'})
            """,
            {"file": file},
        )
        connection.execute(
            """
            INSERT INTO entry (entry_id, entered_at_utc, entered_by, command, program_version)
                VALUES ('00000000-0000-0000-0000-000000000001', now()::TIMESTAMP, 'x', 'x', 'x');
            INSERT INTO specimen (code, kind, model, entry_id)
                SELECT "case", 'case', any_value(case_model), any_value(entry_id)
                FROM read, entry GROUP BY "case"
                UNION ALL SELECT DISTINCT device, 'dummy', NULL, entry_id FROM read, entry;
            INSERT INTO series (code, device_id, case_id, drop_height_mm, surface, orientation,
                    purpose, entry_id)
                SELECT series, any_value(d.specimen_id), any_value(c.specimen_id),
                    any_value(drop_height_mm), any_value(surface), any_value(orientation), 'test',
                    any_value(c.entry_id)
                FROM read
                JOIN specimen AS d ON d.code = device
                JOIN specimen AS c ON c.code = "case"
                GROUP BY series;
            INSERT INTO drops (series_id, drop_number, peak_g, dropped_at, temperature_c, operator,
                    status, entry_id)
                SELECT series_id, drop_number, peak_g, dropped_at, temperature_c, operator,
                    'valid', entry_id
                FROM read JOIN series ON code = series WHERE peak_g > 0;
            COMMIT
            """
        )


def readings(file):
    """Logarithms of the readings, (series, drops), as written for a loop."""
    import numpy as np

    return np.log(np.load(file))


def trend_loop(file):
    """Trend test, robust slope and straight line, one series after another."""
    import numpy as np
    import pymannkendall
    from scipy import stats

    logs = readings(file)
    number = np.arange(1, logs.shape[1] + 1)
    for log_peak in logs:
        pymannkendall.original_test(log_peak)
        stats.theilslopes(log_peak, number)
        stats.linregress(number, log_peak)


def forecast_loop(file, repeats="200"):
    """The same with a bootstrap of the residuals of each line."""
    import numpy as np
    import pymannkendall
    from scipy import stats

    logs = readings(file)
    number = np.arange(1, logs.shape[1] + 1)
    rng = np.random.default_rng(1)
    for log_peak in logs:
        pymannkendall.original_test(log_peak)
        stats.theilslopes(log_peak, number)
        line = stats.linregress(number, log_peak)
        fitted = line.intercept + line.slope * number
        for _ in range(int(repeats)):
            drawn = fitted + rng.choice(log_peak - fitted, number.size)
            stats.linregress(number, drawn)


def read_recorder_files(folder, most):
    """Read recorder files by pandas alone."""
    from pathlib import Path

    import pandas as pd

    for file in sorted(Path(folder).iterdir())[: int(most)]:
        pd.read_csv(file, skiprows=4, header=None)


def spectra(file):
    """Shock response spectra, acceleration and pseudo-velocity, by pyyeti."""
    import numpy as np
    from pyyeti import srs

    records = np.load(file)
    f = np.geomspace(10.0, 10_000.0, 60)
    options = {"ic": "zero", "time": "primary", "parallel": "no", "rolloff": "none"}
    srs.srs(records.T, 150_000.0, f, 10, **options)
    srs.srs(records.T, 150_000.0, f, 10, stype="pvelo", **options)


def our_spectra(file):
    """Both by this program's own function, without its store."""
    import numpy as np

    from durability.pulse.spectrum import shock_response_spectrum

    shock_response_spectrum(np.load(file), 150_000.0, np.geomspace(10.0, 10_000.0, 60))


def add_drops(series, count):
    """That many drops, each an opening, writing and closing of the store as a command makes it."""
    from durability.__main__ import main

    for _ in range(int(count)):
        if main(["drop", "add", series, "--peak-g", "118"]):
            raise SystemExit("not stored")


def answers(words, times):
    """A command that many times in one process."""
    from durability.__main__ import main

    for _ in range(int(times)):
        main(words.split())


def pages(words, times):
    """Its page of a server that many times in one process, nothing kept from one to the next."""
    import asyncio
    import os

    import httpx

    from durability.cli import pages, serve

    store = os.environ["DURABILITY_STORE"]
    app = serve.Application(store=store, token="let", hosts={"lab"}, read_only=False)

    async def ask():
        entered = {"cookies": {"durability": "let"}, "base_url": "http://lab"}
        async with httpx.AsyncClient(transport=httpx.ASGITransport(app), **entered) as browser:
            for _ in range(int(times)):
                pages._kept.clear()
                (await browser.get("/" + words.replace(" ", "/"))).raise_for_status()

    asyncio.run(ask())


class Served:
    """A server of the store, and browsers at it."""

    def __init__(self):
        import subprocess

        call = [sys.executable, "-m", "durability", "serve"]
        self.process = subprocess.Popen(call, stdout=subprocess.PIPE, text=True)
        self.address, _, self.token = self.process.stdout.readline().strip().partition("/?token=")

    def browser(self):
        import httpx

        cookies = {"durability": self.token, "durability_person": "Ann"}
        return httpx.Client(base_url=self.address, cookies=cookies, timeout=300)

    def mb(self):
        """Memory that it holds."""
        import re
        from pathlib import Path

        status = Path(f"/proc/{self.process.pid}/status").read_text(encoding="ascii")
        return int(re.search(r"VmRSS:\s+(\d+) kB", status)[1]) / 1024

    def seconds(self):
        """Processor time that it took so far."""
        import os
        from pathlib import Path

        used = Path(f"/proc/{self.process.pid}/stat").read_text(encoding="ascii").split()[13:15]
        return sum(map(int, used)) / os.sysconf("SC_CLK_TCK")

    def end(self, file, **found):
        import json
        from pathlib import Path

        Path(file).write_text(json.dumps({**found, "mb": self.mb()}), encoding="ascii")
        self.process.terminate()
        self.process.wait()


def open_pages(file, readings):
    """Twenty pages that ask for news as in a browser, while a terminal enters drops.

    The age of a reading that a page doesn't show yet: how long the page may wait before it asks,
    and the processor time that the server takes from the entry to the page.
    """
    import re
    import subprocess
    import threading
    import time

    served, stored, ages, waited, every_s = Served(), {}, [], [], 0.5
    is_over = threading.Event()
    of_series = ["/bench/T1"] * 8 + ["/drop/list?series=T1"] * 6
    others = ["/trend?series=T1", "/trend?series=T1", "/series/list", "/due", "/rig", "/query"]

    def stay(path, has_readings):
        browser, mark, seen = served.browser(), None, set()
        while not is_over.is_set() or (has_readings and len(seen) < len(stored)):
            time.sleep(every_s)
            if browser.get("/mark").text == mark:
                continue
            page = browser.get(path).text
            mark = re.search(r'data-mark="(\w+)"', page)[1]
            for reading in [each for each in stored if each not in seen]:
                if has_readings and re.search(rf"\b{reading}\b", page):
                    seen.add(reading)
                    used, at = stored[reading]
                    ages.append(every_s + served.seconds() - used)
                    waited.append(time.monotonic() - at)

    pages = [(path, True) for path in of_series] + [(path, False) for path in others]
    threads = [threading.Thread(target=stay, args=page) for page in pages]
    for each in threads:
        each.start()
    time.sleep(15.0)
    for reading in range(5001, 5001 + int(readings)):
        call = [sys.executable, "-m", "durability", "drop", "add", "T1"]
        subprocess.run([*call, "--peak-g", str(reading)], check=True, stdout=subprocess.DEVNULL)
        stored[reading] = served.seconds(), time.monotonic()
        while len(ages) < 14 * len(stored):
            time.sleep(0.1)
        time.sleep(2.0)
    is_over.set()
    for each in threads:
        each.join()
    served.end(file, worst_s=max(ages), waited_s=max(waited))


def many_requests(file, count):
    """Requests of every kind, an entry after each 500; memory after a tenth and after all."""
    from durability.__main__ import main

    served, first_mb = Served(), 0.0
    browser = served.browser()
    kinds = ["/mark", "/status", "/due", "/series/list", "/drop/list?series=T1", "/bench/T1"]
    kinds += ["/trend", "/style.css", "/query", "/picture/wear?series=T1"]
    for at in range(int(count)):
        browser.get(kinds[at % len(kinds)]).raise_for_status()
        if at % 500 == 0:
            browser.get("/inspect/R08").raise_for_status()
            if main(["drop", "add", "T1", "--peak-g", str(100 + at % 7)]):
                raise SystemExit("not stored")
        if at == int(count) // 10:
            first_mb = served.mb()
    served.end(file, first_mb=first_mb)


def nothing():
    """Bare Python."""


if __name__ == "__main__":
    globals()[sys.argv[1]](*sys.argv[2:])
