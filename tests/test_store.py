"""The file on disk: nothing acknowledged is lost, nothing half-written stays."""

import errno
import os
import re
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path

import duckdb
import pytest

from durability.intake.columns import FILE_KINDS
from durability.record.errors import StoreUnusable
from durability.store import archive, bench, database, file, sql_files

PROCESSES = 8
DROPS_EACH = 6
APPENDER = """
import sys, time, types
from durability.__main__ import main
from durability.store import file

def refuse(seconds):
    raise AssertionError("two commands had the file open at once")

file.LOCK_WAIT_S = 120.0  # a loaded machine is given time
file.time = types.SimpleNamespace(monotonic=time.monotonic, sleep=refuse)
print("ready", flush=True)
sys.stdin.readline()
for _ in range(int(sys.argv[2])):
    status = main(["drop", "add", sys.argv[1], "--peak-g", "118"])
    if status:
        sys.exit(status)
"""


def command(*words, store, **options):
    environment = {**os.environ, "DURABILITY_STORE": str(store)}
    return subprocess.run(
        [sys.executable, "-m", "durability", *words],
        capture_output=True,
        text=True,
        env=environment,
        check=False,
        **options,
    )


def test_eight_processes_appending_at_once_lose_no_acknowledged_drop(store):
    """DuckDB 2.0 alone loses some: it reads the file's header before it takes its lock."""
    store("specimen", "add", "R-1", "--kind", "device")
    store("inspect", "record", "R-1", "--check", "power-on=pass")
    for worker in range(PROCESSES):
        store("series", "open", f"S{worker}", "--device", "R-1")

    appenders = [
        subprocess.Popen(
            [sys.executable, "-c", APPENDER, f"S{worker}", str(DROPS_EACH)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )
        for worker in range(PROCESSES)
    ]  # fmt: skip
    assert [each.stdout.readline() for each in appenders] == ["ready\n"] * PROCESSES
    for each in appenders:
        each.stdin.write("go\n")
        each.stdin.flush()
    told = [(*each.communicate(), each.returncode) for each in appenders]
    assert [(error, status) for _, error, status in told] == [("", 0)] * PROCESSES
    acknowledged = [[int(number) for number in out.split()] for out, _, _ in told]
    assert acknowledged == [list(range(1, DROPS_EACH + 1))] * PROCESSES
    kept = store("drop", "list", "--json").json["drops"]
    assert len(kept) == PROCESSES * DROPS_EACH


def test_an_error_inside_a_transaction_leaves_nothing(store, tmp_path):
    path = tmp_path / "store.duckdb"
    with pytest.raises(duckdb.Error), database.writing(path) as connection:
        bench.add_entry(connection, entered_by="x", command="test")
        connection.execute("SELECT no_such_column FROM entry")
    with database.reading(path) as connection:
        assert connection.execute("SELECT count(*) FROM entry").fetchone() == (0,)


def test_a_range_is_held_by_the_schema_too(store, tmp_path):
    store("specimen", "add", "R-1", "--kind", "device")
    store("series", "open", "S1", "--device", "R-1")
    with (
        pytest.raises(duckdb.ConstraintException),
        database.writing(tmp_path / "store.duckdb") as connection,
    ):
        connection.execute(
            "INSERT INTO drops (series_id, drop_number, peak_g, status, entry_id)"
            " SELECT series_id, 1, -5, 'valid', entry_id FROM series"
        )


def test_init_twice_changes_nothing(store):
    assert store("init", "--json").json["new"] is False


def test_a_missing_store_says_how_to_make_one(run):
    told = run("trend", expect=2)
    assert "no store there" in told.err and "durability init" in told.err
    assert len(told.err.strip().splitlines()) == 1


def test_a_missing_folder_is_one_line(run):
    told = run("init", "--store", "nowhere/store.duckdb", expect=2)
    assert "does not exist" in told.err


def test_a_file_that_is_no_database_is_refused(run, tmp_path):
    path = tmp_path / "store.duckdb"
    path.write_text("series,drop_number\n" * 100, encoding="utf-8")
    told = run("series", "list", expect=2)
    assert "not a DuckDB file" in told.err and len(told.err.strip().splitlines()) == 1


def test_a_foreign_database_is_refused_and_left_alone(run, tmp_path):
    path = tmp_path / "store.duckdb"
    with duckdb.connect(str(path)) as connection:
        connection.execute("CREATE TABLE theirs AS SELECT 1 AS x")
    for words in (("series", "list"), ("drop", "add", "S1", "--peak-g", "1"), ("init",)):
        assert "not a durability store" in run(*words, expect=2).err
    with duckdb.connect(str(path)) as connection:
        assert connection.execute("SHOW TABLES").fetchall() == [("theirs",)]


def test_a_store_of_a_newer_program_is_told(store, tmp_path):
    with duckdb.connect(str(tmp_path / "store.duckdb")) as connection:
        connection.execute("INSERT INTO schema_step VALUES (999, now(), '9.9', '9')")
    told = store("series", "list", expect=2)
    assert "durability 9.9" in told.err and "newer" in told.err


def test_a_store_held_by_another_program_is_told_with_its_process(store, tmp_path, monkeypatch):
    monkeypatch.setattr(file, "LOCK_WAIT_S", 0.4)
    path = tmp_path / "store.duckdb"
    holder = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import duckdb, sys, time\n"
            f"c = duckdb.connect({str(path)!r})\n"
            "print('held', flush=True); time.sleep(60)",
        ],
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(StoreUnusable, match=rf"open in another program \(process {holder.pid}"):
            with database.reading(path):
                pass
    finally:
        holder.kill()
        holder.communicate()


def test_our_own_lock_is_waited_for_then_told(store, tmp_path, monkeypatch):
    monkeypatch.setattr(file, "LOCK_WAIT_S", 0.3)
    path = tmp_path / "store.duckdb"
    code = (
        "import sys, time\nfrom pathlib import Path\nfrom durability.store import database\n"
        f"with database.writing(Path({str(path)!r})):\n"
        "    print('held', flush=True); time.sleep(60)"
    )
    holder = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    try:
        assert holder.stdout.readline() == "held\n"
        started = time.monotonic()
        with pytest.raises(StoreUnusable, match="another durability command"):
            with database.writing(path):
                pass
        assert time.monotonic() - started < 5
    finally:
        holder.kill()
        holder.communicate()


def test_readers_share(store, tmp_path):
    path = tmp_path / "store.duckdb"
    with database.reading(path) as first:
        told = command("series", "list", "--json", store=path, timeout=30)
        assert told.returncode == 0, told.stderr
        assert first.execute("SELECT 1").fetchone() == (1,)


def test_a_writer_waits_for_the_readers_of_its_own_process_and_lets_no_further_one_in(
    tmp_path, monkeypatch
):
    monkeypatch.setattr(file, "LOCK_WAIT_S", 0.05)
    path, written = tmp_path / "store.duckdb", threading.Event()

    def write():
        while not written.is_set():
            with suppress(StoreUnusable), file.locked(path, exclusive=True):
                written.set()

    writer = threading.Thread(target=write)
    with file.locked(path, exclusive=False), file.locked(path, exclusive=False):
        writer.start()
        with ThreadPoolExecutor(1) as another, pytest.raises(StoreUnusable, match="another"):
            for _ in range(500):  # until the writer has come to wait
                another.submit(hold_shared, path).result()
        assert not written.is_set()
    writer.join()
    assert written.is_set()


def hold_shared(path):
    with file.locked(path, exclusive=False):
        pass


def test_a_killed_writer_leaves_every_acknowledged_drop(store, tmp_path):
    store("specimen", "add", "R-1", "--kind", "device")
    store("series", "open", "S1", "--device", "R-1")
    code = (
        "import sys\nfrom durability.workflow import keep\n"
        "from durability.workflow.session import open_session\n"
        "from durability.intake.hand_entry import TypedDrop\n"
        "session = open_session()\n"
        "while True:\n"
        "    print(keep.add_drop(session, 'S1', TypedDrop('118')).drop_number, flush=True)\n"
    )
    writer = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    acknowledged = [int(writer.stdout.readline()) for _ in range(5)]
    writer.kill()
    rest, _ = writer.communicate()
    acknowledged += [int(line) for line in rest.split()]
    kept = [d["drop_number"] for d in store("drop", "list", "--json").json["drops"]]
    assert kept[: len(acknowledged)] == acknowledged
    assert store("drop", "add", "S1", "--peak-g", "118").status == 0


def test_every_row_names_its_act_of_writing(store, tmp_path):
    store("specimen", "add", "R-1", "--kind", "device", "--by", "Ada")
    with database.reading(tmp_path / "store.duckdb") as connection:
        rows = connection.execute(
            "SELECT e.entered_by, e.command, e.program_version IS NOT NULL"
            " FROM specimen JOIN entry AS e USING (entry_id)"
        ).fetchall()
    assert rows == [("Ada", "specimen add", True)]


def test_codes_and_keys_are_unique_and_stable(store):
    first = store("specimen", "add", "R-1", "--kind", "device")
    assert first.status == 0
    store("series", "open", "S1", "--device", "R-1")
    ids = [store("drop", "add", "S1", "--peak-g", "118", "--json").json["id"] for _ in range(3)]
    kept = [d["drop_id"] for d in store("drop", "list", "--json").json["drops"]]
    assert kept == ids and len(set(ids)) == 3


def refusing(monkeypatch, number):
    """The lock file can't be made or opened for writing: as told by the system."""
    real = os.open

    def opened(name, flags, *rest, **options):
        if str(name).endswith(".lock"):
            raise OSError(number, os.strerror(number), name)
        return real(name, flags, *rest, **options)

    file._say_once.cache_clear()
    monkeypatch.setattr(os, "open", opened)


@pytest.mark.parametrize("number", [errno.EACCES, errno.EROFS], ids=["forbidden", "read-only"])
def test_what_can_not_be_locked_is_read_and_says_so(store, tmp_path, monkeypatch, number):
    store("specimen", "add", "R-1", "--kind", "device")
    refusing(monkeypatch, number)
    told = store("report", "-o", tmp_path / "page.html")
    assert told.err.count("read without a lock (store.duckdb.lock can't be written: ") == 1
    assert os.strerror(number) in told.err
    told = store("specimen", "add", "R-2", "--kind", "device", expect=2)
    assert told.err == (
        f"durability: {tmp_path / 'store.duckdb'}: store.duckdb.lock can't be written:"
        f" {os.strerror(number)}\n"
    )


@pytest.mark.skipif(os.name != "posix", reason="modes and groups are those of POSIX")
def test_the_lock_is_for_whom_the_store_is(store, tmp_path):
    """A second user of the group reads and writes; the first one's umask doesn't shut it out."""
    kept, lock = tmp_path / "store.duckdb", tmp_path / "store.duckdb.lock"
    kept.chmod(0o660)
    lock.unlink()
    before = os.umask(0o077)
    try:
        store("series", "list")
    finally:
        os.umask(before)
    assert lock.stat().st_mode & 0o777 == 0o660
    assert lock.stat().st_gid == kept.stat().st_gid


def test_a_lock_that_is_none_is_named(store, tmp_path):
    lock = tmp_path / "store.duckdb.lock"
    lock.unlink()
    lock.write_text("rubbish, not a lock")
    for call in (("series", "list"), ("specimen", "add", "R-1", "--kind", "device")):
        told = store(*call, expect=2)
        assert "store.duckdb.lock is not a lock file" in told.err and told.err.count("\n") == 1
        assert "remove it while no other durability command runs" in told.err
    lock.unlink()
    lock.mkdir()
    told = store("series", "list", expect=2)
    assert "store.duckdb.lock can't be written: Is a directory; remove that folder" in told.err


def test_a_store_of_others_is_refused_in_one_line(store, tmp_path, monkeypatch):
    def forbidden(path, **_):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))

    monkeypatch.setattr(Path, "is_file", forbidden)
    told = store("series", "list", expect=2)
    assert (
        told.err == f"durability: {tmp_path / 'store.duckdb'}: can't be read (Permission denied)\n"
    )


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
@pytest.mark.parametrize("call", [("series", "list"), ("series", "list", "--json")])
def test_a_full_disk_behind_the_output_is_one_line(store, tmp_path, call):
    with Path("/dev/full").open("w") as full:
        told = subprocess.run(
            [sys.executable, "-m", "durability", *call, "--store", str(tmp_path / "store.duckdb")],
            stdout=full, stderr=subprocess.PIPE, text=True, check=False,
        )  # fmt: skip
    assert (told.returncode, told.stderr) == (2, "durability: No space left on device\n")


FULL = """
import resource, signal, sys
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))
from durability.__main__ import main
sys.exit(main(sys.argv[1:]))
"""
"""No byte can be written to any file, as on a disk that is full."""


@pytest.mark.skipif(os.name != "posix", reason="needs a limit on what is written")
@pytest.mark.parametrize(
    ("call", "words"),
    [
        (("drop", "add", "S", "119"), "store.duckdb: nothing is stored (File too large)"),
        (("import", "drops", "more.csv"), "store.duckdb: nothing is stored (File too large)"),
        (("report", "-o", "page.html"), "-o 'page.html': can't be written (File too large)"),
        (("export", "out"), "out: can't be written (File too large)"),
        (
            ("export", "out", "--format", "parquet"),
            "out: can't be written (File too large)",
        ),
    ],
    ids=lambda value: value[0] if isinstance(value, tuple) else "",
)
def test_on_a_full_disk_nothing_is_half_done(store, tmp_path, call, words):
    store("series", "open", "S", "--device", "R-1", "--device-kind", "dummy")
    store("drop", "add", "S", "118")
    (tmp_path / "more.csv").write_text("series,drop_number,peak_g\nS,2,119\n")
    (tmp_path / "page.html").write_text("an old page")
    there = {each.name for each in tmp_path.iterdir() if each.suffix != ".lock"}
    told = subprocess.run(
        [sys.executable, "-c", FULL, *call], cwd=tmp_path, capture_output=True, text=True,
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"}, check=False,
    )  # fmt: skip
    assert told.returncode == 2, told
    assert told.stderr.endswith(f"{words}\n") and told.stderr.count("\n") == 1, told.stderr
    left = {each.name for each in tmp_path.iterdir()} - there
    assert left <= {"store.duckdb.lock", "store.duckdb.wal"}
    assert (tmp_path / "page.html").read_text() == "an old page"
    assert len(store("drop", "list", "--json").json["drops"]) == 1
    store("drop", "add", "S", "119")


WRITERS = {
    "wear.svg": ("plot", "wear", "-o", "wear.svg"),
    "answer.csv": ("query", "peak_g_by_drop", "-o", "answer.csv"),
    "answer.md": ("query", "peak_g_by_drop", "-o", "answer.md"),
    "answer.parquet": ("query", "peak_g_by_drop", "-o", "answer.parquet"),
    "due.ics": ("due", "--on", "2027-01-01", "--calendar", "due.ics"),
    "due.eml": ("due", "--on", "2027-01-01", "--mail", "due.eml"),
    "form.csv": ("due", "--on", "2027-01-01", "--form", "form.csv"),
    "list.txt": ("inspect", "check-list", "handheld device", "-o", "list.txt"),
    "sheet.csv": ("plan", "sheet", "--case", "C-1", "--orientation", "face 3", "-o", "sheet.csv"),
    "bad.rejects.csv": ("import", "drops", "bad.csv", "--keep-good"),
    "bad.rejects-2.csv": ("import", "waveforms", "--series", "S", "bad.csv", "--keep-good"),
    "backups": ("backup", "backups"),
}
"""What leaves a file, and which."""


def test_a_disk_that_fills_loses_no_old_file_and_leaves_no_half(store, tmp_path, monkeypatch):
    """The last byte does not reach the disk: whatever was written by then is gone again."""
    store("series", "open", "S", "--device", "R-1", "--device-kind", "device")
    store("drop", "add", "S", "118")
    store("specimen", "add", "C-1", "--kind", "case")
    store("inspect", "schedule", "P", "--stage", "day1=1", "--device", "R-1")
    (tmp_path / "bad.csv").write_text("series,drop_number,peak_g\nS,2,119\nS,3,x\n")
    is_new = {
        "form.csv",
        "list.txt",
        "sheet.csv",
        "bad.rejects.csv",
        "bad.rejects-2.csv",
        "backups",
    }
    for name in WRITERS.keys() - is_new:
        (tmp_path / name).write_text("an old file")

    def full(_):
        raise OSError(errno.ENOSPC, "No space left on device")

    def there():
        return {each: each.read_bytes() for each in tmp_path.rglob("*") if each.is_file()}

    before = there()
    with monkeypatch.context() as patched:
        patched.setattr("durability.record.whole_file.onto_the_disk", full)
        for name, call in WRITERS.items():
            told = store(*call, expect=2)
            assert "No space left on device" in told.err, name
            assert there() == before, name
    for name, call in WRITERS.items():
        store(*call, expect=1 if name.startswith("bad") else 0)
        assert (tmp_path / name).exists()
    assert {each: content for each, content in there().items() if ".writing" in each.name} == {}


@pytest.mark.skipif(os.name != "posix", reason="needs a limit on what is written")
def test_a_session_goes_on_when_there_is_room_again(store, tmp_path, monkeypatch):
    store("series", "open", "S", "--device", "R-1", "--device-kind", "dummy")
    import io

    real, calls = database.connect, []

    def full_at_first(path, **options):
        connection = real(path, **options)
        if options.get("read_only"):
            return connection
        calls.append(path)
        return _Full(connection) if len(calls) == 1 else connection

    monkeypatch.setattr(database, "connect", full_at_first)
    monkeypatch.setattr("sys.stdin", io.StringIO("118\n119\nq\n"))
    told = store("record", "S", expect=1)
    assert "nothing is stored (No space left on device); not stored, type it again" in told.err
    assert "drop 1 stored: 119" in told.out


class _Full:
    """A connection to a store on a disk that is full."""

    def __init__(self, connection):
        self._connection = connection

    def __getattr__(self, name):
        return getattr(self._connection, name)

    def execute(self, statement, *rest):
        if statement == "COMMIT":
            self._connection.execute("ROLLBACK")
            raise duckdb.TransactionException('Could not write file "w": No space left on device')
        return self._connection.execute(statement, *rest)


def test_an_absent_text_is_none_in_an_array(store, tmp_path):
    """It was "?", numpy's stand-in, so that a bare drop bore a case model of that name."""
    store("specimen", "add", "R-1", "--kind", "device")
    store("series", "open", "S1", "--device", "R-1")
    store("drop", "add", "S1", "--peak-g", "118")
    with database.reading(tmp_path / "store.duckdb") as connection:
        columns = bench.fetch_arrays(connection, "device_drops")
    assert list(columns["case_model"]) == [None]


# ------------------------------------------------------------------------------- its statements


def test_every_statement_is_one_and_is_run_by_somebody():
    """Kinds of rows and tables of an export complete a name; else it stands as it is."""
    statements = sql_files.statements(Path(database.__file__).with_name("sql"))
    code = "".join(
        module.read_text(encoding="utf-8")
        for module in Path(database.__file__).parent.parent.rglob("*.py")
    )
    run = set(re.findall(r'"(\w+)"', code))
    for start in re.findall(r'f"(\w+_)\{', code):
        run |= {start + kind for kind in (*FILE_KINDS, *archive.TODAY, *sql_files.PLACED)}
    assert sorted(set(statements) - run) == []
    for name, text in statements.items():
        assert len(duckdb.extract_statements(text)) == 1, name


def test_a_name_that_stands_twice_is_refused(tmp_path):
    for name in ("a.sql", "b.sql"):
        (tmp_path / name).write_text("-- Head.\n\n-- name: one\nSELECT 1;\n")
    with pytest.raises(ValueError, match=r"b\.sql: .* one"):
        sql_files.statements(tmp_path)


def test_statements_come_with_their_comments_and_without_a_semicolon(tmp_path):
    (tmp_path / "a.sql").write_text(
        "-- Head.\n\n-- name: one\n-- Why.\nSELECT $a;\n\n-- name: two\nSELECT 2;\n"
    )
    assert sql_files.statements(tmp_path) == {
        "one": "-- Why.\nSELECT $a",
        "two": "SELECT 2",
    }
    with pytest.raises(KeyError):
        sql_files.statement("no_such_statement")
