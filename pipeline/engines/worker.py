"""The inside of a worker process: take a task, call its function, answer, until told to go home.

What the function needs is imported before the first task comes, which may be a while. The worker
ends by itself when its parent is gone.
"""

from __future__ import annotations

import faulthandler
import os
import pickle
import signal
import sys
import threading
import traceback
from collections.abc import Callable
from contextlib import suppress
from multiprocessing.connection import Connection
from queue import SimpleQueue
from typing import Any

from pipeline.engines import Failure
from pipeline.engines.tries import may_pass
from pipeline.errors import SafelightError

GO_HOME = b""
"""The message that ends a worker in good order."""


def serve(descriptor: int, memory_limit_bytes: int, function: str) -> None:
    """Answer every message that comes in on the inherited socket; 0 bytes means no limit.

    ``function`` is ``"module:callable"``.
    """
    os.set_inheritable(descriptor, False)
    faulthandler.enable()
    if memory_limit_bytes:
        _limit_memory(memory_limit_bytes)
    connection = Connection(descriptor)
    inbox: SimpleQueue[bytes] = SimpleQueue()
    threading.Thread(target=_listen, args=(connection, inbox), daemon=True).start()
    with suppress(Exception):  # each task will say
        prepare(function)
    while (message := inbox.get()) != GO_HOME:
        connection.send_bytes(answer(function, message))


def _listen(connection: Connection, inbox: SimpleQueue[bytes]) -> None:
    """Pass messages on. The end of the stream means that the parent died, however it died."""
    try:
        while True:
            inbox.put(connection.recv_bytes())
    except (EOFError, OSError):
        # The group is ours alone (see here.Worker): whatever the function started goes too.
        os.killpg(0, signal.SIGKILL)


def _limit_memory(limit_bytes: int) -> None:
    """Turn a claim beyond the limit into a ``MemoryError``, instead of a machine that swaps."""
    import resource

    _, ceiling = resource.getrlimit(resource.RLIMIT_DATA)
    if ceiling != resource.RLIM_INFINITY:
        limit_bytes = min(limit_bytes, ceiling)
    resource.setrlimit(resource.RLIMIT_DATA, (limit_bytes, ceiling))


def answer(function: str, message: bytes) -> bytes:
    """Do a task's pickled work; answer with a pickled ``(record, failure)``."""
    try:
        do = function_of(function)
        return pickle.dumps((do(pickle.loads(message)), None))
    except SafelightError as error:
        failure = Failure(
            str(error), error.exit_code, traceback.format_exc(), may_pass=may_pass(error)
        )
    except MemoryError:
        failure = Failure("memory ran out", details=traceback.format_exc(), lost=True)
    except Exception as error:
        failure = bug(error)
    return pickle.dumps((None, failure))


def bug(error: Exception) -> Failure:
    """The failure that an exception nobody foresaw makes: one line for the user, the rest kept."""
    said = str(error).partition("\n")[0][:200]
    return Failure(
        f"a fault in Safelight itself ({type(error).__name__}: {said}); --debug shows where",
        details="".join(traceback.format_exception(error)),
        may_pass=may_pass(error),
    )


def prepare(function: str) -> None:
    """Import the function, and call the ``prepare`` of its module if it has one."""
    function_of(function)
    module = sys.modules[function.partition(":")[0]]
    getattr(module, "prepare", lambda: None)()


def function_of(name: str) -> Callable[..., Any]:
    """What ``"module:callable"`` names."""
    import importlib

    module, _, attribute = name.partition(":")
    found: Callable[..., Any] = getattr(importlib.import_module(module), attribute)
    return found
