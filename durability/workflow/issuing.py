"""Reports that are issued: each page gets a number, and one that replaces another says why."""

from __future__ import annotations

import hashlib
import json
import os
import zlib
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from durability import PROGRAM_VERSION
from durability.record.errors import RecordRefused, StoreUnusable, UnusableCall
from durability.store import bench, database
from durability.workflow.results import (
    RecordChanges,
    ReportAnswer,
    ReportContents,
    ReportIssue,
    Scope,
)
from durability.workflow.session import Session

PARTIES = ("laboratory", "customer", "purpose")
"""By whom and for whom tests are made, and what for: what a report may be given."""


def issued_reports(session: Session) -> list[ReportIssue]:
    """Every report issued, in order of number."""
    with database.reading(session.store) as connection:
        rows = bench.fetch(connection, "issued_reports")
    return [_issue(row) for row in rows]


def issued_report(session: Session, number: int) -> ReportIssue:
    """One report that was issued; refused where there is none of that number."""
    reports = issued_reports(session)
    found = next((each for each in reports if each.number == number), None)
    if found is None:
        raise RecordRefused(f"report {number}: no report of that number ({_known(reports)})")
    return found


def issued_page(session: Session, number: int) -> tuple[str, bytes]:
    """The page of a report, byte for byte as it was issued, and the name of its file.

    Parameters
    ----------
    session : Session
        Store and person.
    number : int
        Its number.

    Raises
    ------
    RecordRefused
        There is no such report, it was issued before pages were kept, or its page was changed.
    """
    with database.reading(session.store) as connection:
        found = bench.fetch(connection, "issued_page", number=number)
    if not found:
        reports = issued_reports(session)
        raise RecordRefused(f"report {number}: no report of that number ({_known(reports)})")
    row = found[0]
    if row["page"] is None:
        raise RecordRefused(
            f"report {number}: issued before pages were kept; its SHA-256 is {row['page_sha256']}"
        )
    try:
        page = zlib.decompress(row["page"])
    except zlib.error:
        page = b""
    if hashlib.sha256(page).hexdigest() != row["page_sha256"]:
        raise RecordRefused(f"report {number}: its page in the store is not the one issued")
    return row["page_file_name"], page


def _known(reports: Sequence[ReportIssue]) -> str:
    return f"issued so far: 1 to {len(reports)}" if reports else "none is issued yet"


def report_to_replace(session: Session, number: int, reason: str | None) -> ReportIssue:
    """The report that a new one shall replace.

    Parameters
    ----------
    session : Session
        Store and person.
    number : int
        Its number.
    reason : str or None
        Why it is replaced.

    Returns
    -------
    ReportIssue

    Raises
    ------
    UnusableCall
        No reason is given.
    RecordRefused
        There is no such report, or it is replaced already.
    """
    if not (reason or "").strip():
        raise UnusableCall("--reason: missing beside --reissue-of; say why the report is replaced")
    reports = issued_reports(session)
    found = next((each for each in reports if each.number == number), None)
    if found is None:
        raise RecordRefused(f"--reissue-of {number}: no report of that number ({_known(reports)})")
    if found.replaced_by is not None:
        raise RecordRefused(
            f"--reissue-of {number}: replaced by report {found.replaced_by} already; replace that"
        )
    return found


def record_changes(session: Session, scope: Scope, since: ReportIssue) -> RecordChanges:
    """What was entered and amended within a scope since a report on it.

    Parameters
    ----------
    session : Session
        Store and person.
    scope : Scope
        As it is now.
    since : ReportIssue
        The report before.

    Returns
    -------
    RecordChanges

    Raises
    ------
    RecordRefused
        That report was about something else.
    """
    if (scope.kind, scope.told) != (since.scope.kind, since.scope.names):
        was = " ".join([since.scope.kind, *since.scope.names])
        raise RecordRefused(
            f"--reissue-of {since.number}: that report was about the {was}; give the same scope"
        )
    series, devices = list(scope.series), list(scope.devices)
    with database.reading(session.record) as connection:
        amendments = bench.fetch(connection, "report_amendments", series=series, devices=devices)
        added = (
            bench.fetch(
                connection,
                "added_since",
                series=series,
                devices=devices,
                since=since.record_until_utc,
            )
            if since.record_until_utc is not None
            else []
        )
    return RecordChanges(
        added=tuple(added),
        amended=tuple(
            row
            for row in amendments
            if since.record_until_utc is None or row["entered_at_utc"] > since.record_until_utc
        ),
    )


def why_not_numbered(session: Session) -> str | None:
    """Why a report can't be numbered; None when it can."""
    for path in (session.store, session.store.absolute().parent):
        if not os.access(path, os.W_OK):
            return f"{path.name or path} can't be written"
    return None


def next_number(session: Session) -> int:
    """Number of the next report."""
    with database.reading(session.store) as connection:
        return int(bench.run(connection, "next_report_number"))


def issue_report(
    session: Session,
    contents: ReportContents,
    file: Path,
    *,
    answers: Sequence[ReportAnswer],
    replaced: ReportIssue | None,
    reason: str | None,
    drawn: Callable[[ReportContents], bytes],
    written: Callable[[Path, bytes], None],
) -> ReportContents:
    """Write a page under its own number and remember what it answered, both or neither.

    A store that can't be written gives a page that says it is not numbered.

    Parameters
    ----------
    session : Session
        Store and person.
    contents : ReportContents
        All that the page shows, its issue left open.
    file : Path
        Where it goes.
    answers : sequence of ReportAnswer
        What it answers.
    replaced : ReportIssue or None
        The report that it replaces.
    reason : str or None
        Why.
    drawn : callable
        Contents → file of the page.
    written : callable
        Writes the page.

    Returns
    -------
    ReportContents
        As written, with its issue.

    Raises
    ------
    UnusableCall
        The page can't be written.
    StoreUnusable
        A report shall be replaced, and the store can't be written.
    """
    changes = None if replaced is None else record_changes(session, contents.scope, replaced)
    obstacle = why_not_numbered(session)
    while obstacle is None:
        number = next_number(session)
        numbered = replace(
            contents,
            issue=ReportIssue(
                number=number,
                scope=contents.scope,
                answers=tuple(answers),
                replaces=None if replaced is None else replaced.number,
                reason=reason,
                record_until_utc=contents.last_entered_at_utc,
                program_version=PROGRAM_VERSION,
                parties=contents.parties,
            ),
            replaced=replaced,
            changes=changes,
        )
        page = drawn(numbered)
        try:
            if _keep(session, numbered, file, page, written):
                return numbered
        except StoreUnusable as error:
            obstacle = str(error)
    if replaced is not None:
        raise StoreUnusable(f"--reissue-of {replaced.number}: not numbered: {obstacle}")
    unnumbered = replace(contents, not_numbered_because=obstacle)
    written(file, drawn(unnumbered))
    return unnumbered


def _keep(
    session: Session,
    contents: ReportContents,
    file: Path,
    page: bytes,
    written: Callable[[Path, bytes], None],
) -> bool:
    """Keep the issue and write the page in one transaction; False when its number was taken."""
    issue = contents.issue
    with database.writing(session.store) as connection:
        if issue is None or bench.run(connection, "next_report_number") != issue.number:
            return False
        entry_id = bench.add_entry(connection, entered_by=session.person, command="report")
        bench.run(
            connection,
            "add_report_issue",
            report_number=issue.number,
            page_file_name=file.name,
            page_sha256=hashlib.sha256(page).hexdigest(),
            record_digest=contents.digest,
            scope_kind=issue.scope.kind,
            scope_names=list(issue.scope.told),
            answers=json.dumps([_plain(each) for each in issue.answers], ensure_ascii=False),
            record_until_utc=issue.record_until_utc,
            replaces=issue.replaces,
            reason=issue.reason,
            laboratory=issue.parties["laboratory"],
            customer=issue.parties["customer"],
            purpose=issue.parties["purpose"],
            page=zlib.compress(page),
            entry_id=entry_id,
        )
        written(file, page)
    return True


def _plain(answer: ReportAnswer) -> dict[str, Any]:
    return {"answer": answer.name, "told": answer.told, "numbers": list(answer.numbers)}


def _issue(row: dict[str, Any]) -> ReportIssue:
    return ReportIssue(
        number=row["report_number"],
        scope=Scope(row["scope_kind"], tuple(row["scope_names"])),
        answers=tuple(
            ReportAnswer(each["answer"], each["told"], tuple(each["numbers"]))
            for each in json.loads(row["answers"])
        ),
        replaces=row["replaces"],
        reason=row["reason"],
        record_until_utc=row["record_until_utc"],
        program_version=row["program_version"],
        parties={
            "laboratory": row["test_laboratory"],
            "customer": row["customer"],
            "purpose": row["test_purpose"],
        },
        issued_at_utc=row["issued_at_utc"],
        issued_by=row["issued_by"],
        replaced_by=row["replaced_by"],
        page_sha256=row["page_sha256"],
        is_page_kept=row["is_page_kept"],
    )
