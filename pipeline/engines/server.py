"""The Prefect server that a run shows itself on: one that is said to be there, or one of our own.

Knows nothing of the packages of Prefect and Dask: whether a server or a scheduler answers is asked
before they are imported, which takes seconds.
"""

from __future__ import annotations

import fcntl
import json
import os
import re
import socket
import subprocess
import sys
import time
from base64 import b64encode
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from pipeline.errors import ToolMissing

if TYPE_CHECKING:
    import ssl

API = "PREFECT_API_URL"
AUTH_STRING = "PREFECT_API_AUTH_STRING"
KEY = "PREFECT_API_KEY"
CERTIFICATES = "PREFECT_API_SSL_CERT_FILE"

CONNECT_S = 2.0
"""How long a scheduler may take to accept a connection."""

GREETING_S = 5.0
"""How long one that has accepted may take to say something; it may be busy. Ours, no source."""

HEALTH_S = 1.0
"""How long a server may take to say that it is well."""

START_S = 90.0
"""How long one may take to start; the first start makes its database."""

USUAL_PORT = 4200

KEEP_S = 60 * 24 * 3600
"""How long our own server keeps the runs that it was told of: sixty days. Ours, no source."""


@dataclass(frozen=True, slots=True)
class Server:
    """A server that answers: its API, and where it is one of ours its process and its log."""

    api: str
    pid: int = 0
    log: str = ""

    @property
    def page(self) -> str:
        """Where a person looks at it."""
        return self.api.removesuffix("/").removesuffix("/api")


def found() -> Server:
    """The server that the environment names. Raises ``ToolMissing`` where none answers, or where it
    wants another login than the environment's."""
    _past_proxies()
    api = os.environ.get(API, "").strip()
    if not api:
        raise ToolMissing(
            f"Prefect needs a server: set {API} to one that runs, such as "
            "http://127.0.0.1:4200/api, or let --serve start one on this machine"
        )
    if fault := unwell(api):
        raise ToolMissing(
            f"the Prefect server at {_without_login(api)} ({API}) does not answer: {fault}; start "
            "it, or let --serve start one on this machine"
        )
    if _refuses(api):
        given = next((name for name in (AUTH_STRING, KEY) if os.environ.get(name)), None)
        raise ToolMissing(
            f"the Prefect server at {api} ({API}) "
            + (f"does not take the login in {given}; it " if given else "")
            + f"wants a login: NAME:PASSWORD in {AUTH_STRING}, or a key in {KEY}"
        )
    return Server(api)


def served() -> Server:
    """The server that was started here and still runs, or a new one, which is left running.

    It listens on this machine alone, keeps its data in the user's folder for such things, and
    removes runs that ended long ago. Raises ``ToolMissing`` with what it said where it does not
    start.
    """
    _past_proxies()
    folder = state_folder()
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    note = folder / "server.json"
    with (folder / "starting.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # of two that start at once the second finds the first's
        with suppress(OSError, ValueError, TypeError):
            server = Server(**json.loads(note.read_text()))
            if unwell(server.api) is None:
                return server
        server = _start(folder)
        note.write_text(json.dumps(asdict(server)))
        return server


def state_folder() -> Path:
    """Where what is ours of a user's state goes: the XDG Base Directory Specification 0.8."""
    base = os.environ.get("XDG_STATE_HOME", "")
    root = Path(base) if Path(base).is_absolute() else Path.home() / ".local" / "state"
    return root / "safelight" / "prefect"


def unwell(api: str) -> str | None:
    """Why a server does not answer as a healthy one; None where it does. Asks twice: it may be
    busy."""
    return _unwell(api) and _unwell(api)


def _unwell(api: str) -> str | None:
    from urllib.error import URLError

    try:
        said = _asked(api, "/health", 100).decode("utf-8", "replace").strip()
    except URLError as error:
        return str(getattr(error.reason, "strerror", None) or error.reason)
    except (OSError, ValueError) as error:
        return str(error)
    return None if said == "true" else f"it answers {said!r}, which no Prefect server does"


def state_of_run(api: str, run_id: object) -> str | None:
    """The type of a flow run's state; None where the server does not say. Asks once only: whoever
    works on frames waits for it."""
    with suppress(OSError, ValueError, KeyError, TypeError):
        return str(json.loads(_asked(api, f"/flow_runs/{run_id}"))["state"]["type"])
    return None


def _refuses(api: str) -> bool:
    """Whether a server that is well wants another login: that it is well it tells everybody."""
    from urllib.error import HTTPError

    try:
        _asked(api, "/admin/version", 100)
    except HTTPError as error:
        return error.code in (401, 403)  # Unauthorized, Forbidden (RFC 9110, 15.5)
    except (OSError, ValueError):
        pass
    return False


def _asked(api: str, path: str, most: int = -1) -> bytes:
    """So many bytes of what a server answers, logged in as Prefect's own clients are.

    Raises ``OSError`` or ``ValueError``, whatever answers there.
    """
    from http.client import HTTPException
    from urllib.request import Request, urlopen

    parts = urlsplit(api)
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise ValueError("it is no address; allowed: http://HOST:PORT/api or https://")
    if parts.username is not None:
        raise ValueError(f"a login stands in the address; it belongs in {AUTH_STRING}")
    request = Request(f"{api.rstrip('/')}{path}")
    if login := os.environ.get(AUTH_STRING):
        word = f"Basic {b64encode(login.encode()).decode()}"  # RFC 7617
    else:
        word = f"Bearer {key}" if (key := os.environ.get(KEY)) else ""  # RFC 6750
    if word:
        request.add_unredirected_header("Authorization", word)
    try:
        trust = _trust() if parts.scheme == "https" else None
        with urlopen(request, timeout=HEALTH_S, context=trust) as answer:
            return bytes(answer.read(most))
    except HTTPException as error:
        said = " ".join(str(error).split()) or type(error).__name__
        raise OSError(f"it does not speak HTTP as a server does ({said[:100]})") from error


def _trust() -> ssl.SSLContext:
    """Which certificates are trusted, as Prefect's own clients are told."""
    import ssl

    file = os.environ.get(CERTIFICATES)
    try:
        trust = ssl.create_default_context(cafile=file)
    except OSError as error:
        said = error.strerror or error
        raise ValueError(f"{file} ({CERTIFICATES}) has no certificates to trust: {said}") from error
    if os.environ.get("PREFECT_API_TLS_INSECURE_SKIP_VERIFY", "").lower() in ("1", "true"):
        trust.check_hostname = False
        trust.verify_mode = ssl.CERT_NONE
    return trust


def _without_login(api: str) -> str:
    """An address as it may be shown."""
    return re.sub("//.*@", "//...@", api)


def _past_proxies() -> None:
    """What listens on this machine is not asked for through a network's proxy, neither here nor by
    Prefect's clients, which read the same variables."""
    spared = os.environ.get("no_proxy") or os.environ.get("NO_PROXY") or ""
    if spared != "*" and "127.0.0.1" not in spared:
        spared = ",".join(filter(None, (spared, "127.0.0.1", "localhost")))
        os.environ["no_proxy"] = os.environ["NO_PROXY"] = spared


def environment(folder: Path, api: str) -> Mapping[str, str]:
    """What our own server runs with: nothing of what the user wants of others."""
    return {
        **{name: value for name, value in os.environ.items() if not name.startswith("PREFECT_")},
        "PREFECT_HOME": str(folder),
        "PREFECT_API_DATABASE_CONNECTION_URL": f"sqlite+aiosqlite:///{folder / 'prefect.db'}",
        "PREFECT_SERVER_UI_API_URL": api,  # what its page asks; it would ask another's otherwise
        "PREFECT_SERVER_SERVICES_DB_VACUUM_ENABLED": "events,flow_runs",
        "PREFECT_SERVER_SERVICES_DB_VACUUM_RETENTION_PERIOD": str(KEEP_S),
        "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
        "DO_NOT_TRACK": "1",
    }


def _free_port() -> int:
    """Prefect's own where nobody has it, so that its page stays where it was."""
    for port in (USUAL_PORT, 0):
        with suppress(OSError), socket.socket() as probe:
            probe.bind(("127.0.0.1", port))
            return int(probe.getsockname()[1])
    raise ToolMissing("the Prefect server did not start: no port of this machine is free")


def _start(folder: Path) -> Server:
    port = _free_port()
    api = f"http://127.0.0.1:{port}/api"
    log = folder / "server.log"
    command = (sys.executable, "-m", "prefect", "server", "start", "--host", "127.0.0.1")
    with log.open("wb") as said:
        process = subprocess.Popen(
            [*command, "--port", str(port)],
            stdin=subprocess.DEVNULL,
            stdout=said,
            stderr=subprocess.STDOUT,
            env=environment(folder, api),
            cwd=folder,  # a job's folder would keep its disk from being ejected
            start_new_session=True,  # it outlives this command, and its Ctrl-C
        )
    server = Server(api, process.pid, str(log))
    until = time.monotonic() + START_S
    while time.monotonic() < until and process.poll() is None:
        if unwell(server.api) is None:
            return server
        time.sleep(0.2)
    if process.poll() is None:
        fault = unwell(server.api)
        process.kill()
        raise ToolMissing(
            f"the Prefect server was started, and does not answer at {api}: {fault} ({log} has "
            "what it said)"
        )
    last = log.read_text(errors="replace").strip().splitlines()[-1:] or ["it said nothing"]
    raise ToolMissing(f"the Prefect server did not start: {last[0]} ({log} has the rest)")


def check_scheduler(address: str) -> None:
    """Raises ``ToolMissing`` where no scheduler listens at an address."""
    try:
        parts = urlsplit(address if "://" in address else f"tcp://{address}")
        host, port = parts.hostname, parts.port
        if not host or not port or parts.scheme not in ("tcp", "tls"):
            raise ValueError
        with socket.create_connection((host, port), CONNECT_S) as connection:
            greeted = parts.scheme == "tls" or _greets(connection)
    except ValueError as error:
        raise ToolMissing(
            f"{address or 'nothing'} is no scheduler's address; allowed: tcp://HOST:PORT"
        ) from error
    except OSError as error:
        raise ToolMissing(
            f"no Dask scheduler listens at {address}: {error.strerror or error}"
        ) from error
    if not greeted:
        raise ToolMissing(f"what listens at {address} is no Dask scheduler, or one that hangs")


def _greets(connection: socket.socket) -> bool:
    """Whether the other side begins as Dask does, whose client waits without end for what does not.

    It says first what it can read, a message with the key ``pickle-protocol``.
    """
    until = time.monotonic() + GREETING_S
    said = b""
    with suppress(OSError):
        while len(said) < 4096 and (left := until - time.monotonic()) > 0:
            connection.settimeout(left)
            if not (more := connection.recv(4096)):
                break
            said += more
            if b"pickle-protocol" in said:
                return True
    return False
