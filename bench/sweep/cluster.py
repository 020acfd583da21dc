"""Work on the workers of a Dask scheduler, which need Liftlatch of the same version and the same C sources as
here."""

from __future__ import annotations

import logging
import socket
import time
import warnings
from collections.abc import Generator, Iterator
from concurrent.futures import CancelledError
from contextlib import contextmanager
from importlib.metadata import version
from typing import Any
from urllib.parse import urlsplit

from bench.errors import UserError
from bench.trace.text import plural
from firmware_model.core_sources import source_digest

_CONNECT_S = 5.0
_WORKERS_S = 10.0
LOST_S = 30.0
_LOOK_S = 1.0


def check_cluster(address: str) -> None:
    """UserError where the extra is not installed or nothing answers: before there is much work to lose."""
    _extra()
    _knock(address)


def program() -> str:
    """What must be equal here and on a worker: the version and the C sources."""
    return f"{version('liftlatch')} {source_digest()[:16]}"


def check_program(mine: str, same: str, sources: str) -> None:
    """On a worker: UserError where its program is not that of who asks, both told by version and sources."""
    if mine != same:
        what = f"it runs Liftlatch {mine}, not {same} (version and {sources})"
        raise UserError(what, right="install the same on every worker")


def _extra() -> Any:
    try:
        import distributed
    except ImportError:
        raise UserError("needs an extra", "--cluster", "pip install 'liftlatch[cluster]'") from None
    logging.getLogger("distributed").setLevel(logging.CRITICAL)  # it would write beside our one line
    return distributed


@contextmanager
def connected(address: str) -> Iterator[tuple[Any, Any]]:
    """Give the package of the extra and a client of the scheduler.

    UserError where the extra is not installed or nothing answers.
    """
    distributed = _extra()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of other versions on the other side, and of large inputs
        try:
            client = distributed.Client(address, timeout=_CONNECT_S)
        except (OSError, ValueError, RuntimeError):
            raise _nobody(address, "what answers there is none") from None
        try:
            yield distributed, client
        finally:
            client.close(timeout=_CONNECT_S)


def _knock(address: str) -> None:
    """Raise UserError unless something takes connections there; Dask itself would retry to its limit."""
    scheme, _, rest = address.rpartition("://")
    try:
        parts = urlsplit(f"//{rest}")
        host, port = parts.hostname, parts.port
    except ValueError:
        host, port = None, None
    if scheme not in ("", "tcp") or not host or not port:
        raise _nobody(address, "that is no HOST:PORT")
    try:
        socket.create_connection((host, port), _CONNECT_S).close()
    except OSError as error:
        raise _nobody(address, (error.strerror or str(error)).lower()) from None


def _nobody(address: str, why: str) -> UserError:
    right = "give the address of a running one, for example 127.0.0.1:8786"
    return UserError(f"no Dask scheduler at {address} ({why})", "--cluster", right)


def wait_for_workers(client: Any, address: str) -> None:
    """UserError unless a worker comes soon."""
    until = time.monotonic() + _WORKERS_S
    while not client.scheduler_info(n_workers=-1)["workers"]:
        if time.monotonic() > until:
            right = f"start some with: dask worker {address}"
            raise UserError(f"the scheduler at {address} has no workers", "--cluster", right)
        time.sleep(0.1)


def results(
    distributed: Any, client: Any, waiting: dict[Any, Any], lost_s: float
) -> Generator[tuple[Any, Any], None, None]:
    """Give what stands for each waiting future with its result, as they end. UserError where all workers are
    lost for `lost_s` seconds, or one cannot do it. What a lost worker had under way the others do again."""
    alive = time.monotonic()
    while waiting:
        try:
            done = distributed.wait(list(waiting), timeout=_LOOK_S, return_when="FIRST_COMPLETED").done
        except TimeoutError:
            done = ()
        except CancelledError:
            raise _left("the scheduler was lost", waiting) from None
        if done or _has_workers(client):
            alive = time.monotonic()
        elif time.monotonic() - alive > lost_s:
            raise _left("all workers are gone", waiting)
        for future in done:
            try:
                result = _result(future)
            except TimeoutError:
                continue  # lost with its worker before it was fetched: it is under way again
            yield waiting.pop(future), result


def _left(what: str, waiting: dict[Any, Any]) -> UserError:
    right = "check the scheduler and its workers"
    return UserError(f"{what}, {plural(len(waiting), 'task')} not done", "--cluster", right)


def _has_workers(client: Any) -> bool:
    if client.status != "running":
        return False
    try:
        return bool(client.scheduler_info(n_workers=-1)["workers"])
    except (OSError, ValueError):
        return False


def _result(future: Any) -> Any:
    """What a run gave; TimeoutError where that cannot be had just now."""
    try:
        return future.result(timeout=_LOOK_S)
    except TimeoutError:
        raise
    except UserError as error:
        raise UserError(f"a worker cannot do it: {error.what}", "--cluster", error.right) from None
    except Exception as error:
        why = f"{type(error).__name__}: {' '.join(str(error).split())}"
        right = "check that its workers run, with the same Liftlatch as here"
        raise UserError(f"a worker failed ({why[:160]})", "--cluster", right) from None
