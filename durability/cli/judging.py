"""The judgement of a bench session, made beside the typing."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

from durability.record.errors import DurabilityError

if TYPE_CHECKING:
    from durability.rig.results import RigWatch
    from durability.workflow.results import BenchStanding, Limit
    from durability.workflow.session import Session


class Judging:
    """One judgement at a time, in a thread of its own.

    Parameters
    ----------
    session : Session
        Store and person.
    limit : Limit
        Where the case fails.
    """

    def __init__(self, session: Session, limit: Limit) -> None:
        self.store_lock = threading.Lock()
        """Held while this process reads or writes the store: one at a time."""
        self._session = session
        self._limit = limit
        self._thread: threading.Thread | None = None
        self._standing: BenchStanding | None = None
        self._rigs: list[RigWatch] = []
        self._fault = ""
        self._wanted = 0

    def start(self, series: str, *, with_rigs: bool = False) -> None:
        """Judge a series as it stands; an earlier judgement still running is forgotten."""
        self._wanted += 1
        self._standing, self._fault = None, ""
        self._thread = threading.Thread(
            target=self._judge, args=(series, self._wanted, with_rigs), daemon=True
        )
        self._thread.start()

    def result(self, wait_s: float | None) -> tuple[BenchStanding | None, str]:
        """The standing, or None with what went wrong, or None and "" while it is not known."""
        if self._thread is not None:
            self._thread.join(wait_s)
        return self._standing, self._fault

    def rigs(self) -> list[RigWatch]:
        """How the rig fares, if that was asked for and is known."""
        return self._rigs

    def _judge(self, series: str, wanted: int, with_rigs: bool) -> None:  # noqa: FBT001
        try:
            from durability.workflow import recording, rig

            with self.store_lock:
                found = recording.fetch_so_far(self._session, series)
            standing = recording.judge_so_far(found, self._limit)
            if with_rigs and found.rig is None:
                with self.store_lock:
                    self._rigs = rig.watch(self._session)
        except DurabilityError as error:
            if wanted == self._wanted:
                self._fault = f"no judgement: {error}"
            return
        if wanted == self._wanted:
            self._standing = standing
