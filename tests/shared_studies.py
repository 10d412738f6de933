"""One study for all that is asked of a store while nothing is written to it."""

import contextlib
import pickle
from functools import wraps
from unittest.mock import patch

from durability.cli import answers, report
from durability.record import clock
from durability.workflow import reporting, study

_KEPT = 12
_REMEMBERED = 100


@contextlib.contextmanager
def shared_studies():
    """Within it the same question of an unchanged store finds what was fitted for the last one."""
    kept, opened = {}, study.open_study

    def shared(session, *told, **named):
        if session.past or not session.store.is_file():
            return opened(session, *told, **named)
        file = session.store.stat()
        key = (session.store.resolve(), file.st_mtime_ns, file.st_size, clock.today())
        key = (*key, repr(told), repr(named))
        if key not in kept:
            if len(kept) == _KEPT:
                del kept[next(iter(kept))]
            kept[key] = opened(session, *told, **named)
        return kept[key]

    with contextlib.ExitStack() as patched:
        for module in (answers, report, reporting, study):
            patched.enter_context(patch.object(module, "open_study", shared))
        yield


def remembered(function):
    """A function of numbers alone that gives what it gave, as a copy, where they are the same."""
    kept = {}

    @wraps(function)
    def answer(*told, **named):
        key = pickle.dumps((told, named))
        if key in kept:
            kept[key] = kept.pop(key)  # to the end: what was asked last is kept longest
        else:
            if len(kept) == _REMEMBERED:
                del kept[next(iter(kept))]
            kept[key] = pickle.dumps(function(*told, **named))
        return pickle.loads(kept[key])

    return answer
