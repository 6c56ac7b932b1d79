"""Deeper stars from the Gaia archive, by the IVOA's Table Access Protocol (TAP 1.1).

One asynchronous job at a time. Timeouts, refused connections and answers of the 5xx and 429 kind
are tried again after a growing pause; anything else ends the fetch with one line that says why.
"""

from __future__ import annotations

import contextlib
import os
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from slowglass.errors import NothingUseful, UsageError
from slowglass.sky.deep import COLUMN_TYPES, DeepStars, Tile, query_text

if TYPE_CHECKING:
    import requests

SERVICE_URL = "https://gea.esac.esa.int/tap-server/tap"
"""ESA's public service for the Gaia archive; ``SLOWGLASS_TAP`` names another."""
MOST_ROWS = 3_000_000
"""What the archive gives to anyone in one answer."""
TIMEOUT_S = 60.0
_COLUMNS = {
    "ra_deg": "ra",
    "dec_deg": "dec",
    "pm_ra_mas": "pmra",
    "pm_dec_mas": "pmdec",
    "g_mag": "phot_g_mean_mag",
    "bp_rp": "bp_rp",
    "source_id": "source_id",
}


@dataclass(frozen=True)
class Manners:
    """How patient a fetch is; seconds."""

    between_tiles_s: float = 1.0
    first_poll_s: float = 0.5
    longest_poll_s: float = 10.0
    job_s: float = 1800.0
    retries: int = 4
    first_retry_s: float = 5.0
    sleep: Callable[[float], None] = time.sleep


class _Passing(Exception):
    """A failure that may pass: worth another try."""


def service_url(given: str | None = None) -> str:
    """The TAP service's address: the one given, ``SLOWGLASS_TAP``, or ESA's."""
    url = (given or os.environ.get("SLOWGLASS_TAP") or SERVICE_URL).strip().rstrip("/")
    if not url.startswith(("http://", "https://")):
        raise UsageError(f"service {url!r} is no web address", "it begins with https://")
    return url


def open_session() -> requests.Session:
    """A web session that names this program and gives up on a silent service."""
    import requests

    from slowglass import __version__

    class Session(requests.Session):
        """Closes each answer when the next request is made, for the client only reads streams."""

        last: requests.Response | None = None

        def request(self, *args: Any, **kwargs: Any) -> requests.Response:
            if self.last is not None:
                self.last.close()
            if kwargs.get("timeout") is None:
                kwargs["timeout"] = TIMEOUT_S
            self.last = super().request(*args, **kwargs)
            return self.last

        def close(self) -> None:
            if self.last is not None:
                self.last.close()
            super().close()

    session = Session()
    session.headers["User-Agent"] = f"slowglass/{__version__}"
    return session


def fetch_tile(
    tile: Tile, to_mag: float, *, url: str, session: requests.Session, manners: Manners
) -> DeepStars:
    """A tile's stars from the service, tried again while the failure may pass."""
    pause = manners.first_retry_s
    for attempt in range(manners.retries + 1):
        try:
            return _stars_of(_run_job(tile, to_mag, url, session, manners), tile, to_mag)
        except _Passing as failure:
            if attempt == manners.retries:
                raise NothingUseful(
                    f"{url}: {failure} (tried {attempt + 1} times)",
                    "check the network, or try again later: finished tiles are kept, and "
                    "everything else works without them",
                ) from failure
        manners.sleep(pause)
        pause *= 2.0
    raise AssertionError("unreachable")


def _run_job(
    tile: Tile, to_mag: float, url: str, session: requests.Session, manners: Manners
) -> Any:
    """The answer's table; every failure as ``_Passing`` or ``NothingUseful``."""
    import requests
    from astropy.io.votable.exceptions import VOWarning
    from pyvo.dal import DALAccessError, TAPService
    from pyvo.dal.exceptions import DALQueryError

    try:
        with warnings.catch_warnings():
            # Remarks on an answer's form are none of the person's business; its content is
            # examined below.
            warnings.simplefilter("ignore")
            service = TAPService(url, session=session)
            job = service.submit_job(query_text(tile, to_mag), maxrec=MOST_ROWS)
            try:
                job.run()
                _wait(job, manners)
                job.raise_if_error()
                answer = job.fetch_result()
                if str(answer.query_status).upper() == "OVERFLOW":
                    raise NothingUseful(
                        f"{url}: tile {tile.name} to magnitude {to_mag:g} holds more stars than "
                        "the service gives at once",
                        "choose a brighter --to-mag",
                    )
                return answer.to_table()
            finally:
                with contextlib.suppress(DALAccessError, requests.RequestException):
                    job.delete()
    except DALQueryError as error:
        raise NothingUseful(
            f"{url}: the service refuses the question ({_brief(error)})",
            "check that the address is a Gaia archive's",
        ) from error
    except (requests.RequestException, DALAccessError) as error:
        raise _judged(error, url) from error
    except OSError as error:  # the line breaks in the middle of an answer
        raise _Passing(f"the connection broke ({_brief(error)})") from error
    except (VOWarning, ValueError, TypeError, KeyError, IndexError, AttributeError) as error:
        raise _unreadable(url, _brief(error)) from error
    except Exception as error:
        # The parsers of XML and of the transfer encoding have errors of their own lineage.
        if type(error).__module__.split(".")[0] in {"urllib3", "http"}:
            raise _Passing(f"the connection broke ({_brief(error)})") from error
        if "Expat" in type(error).__name__ or "XML" in type(error).__name__:
            raise _unreadable(url, _brief(error)) from error
        raise


def _wait(job: Any, manners: Manners) -> None:
    """Return when the job is over, asking ever more seldom."""
    pause, waited = manners.first_poll_s, 0.0
    while (phase := str(job.phase).upper()) not in {"COMPLETED", "ERROR", "ABORTED"}:
        if phase not in {"PENDING", "QUEUED", "EXECUTING", "RUN", "HELD", "SUSPENDED", "UNKNOWN"}:
            raise _Passing(f"the job is in the unknown state {phase!r}")
        if waited > manners.job_s:
            raise _Passing(f"the job was not done in {manners.job_s:g} s")
        manners.sleep(pause)
        waited += pause
        pause = min(manners.longest_poll_s, 1.5 * pause)


def _judged(error: Exception, url: str) -> Exception:
    """Whether a failed request is worth another try, in words."""
    import requests

    cause = getattr(error, "cause", None)
    code = getattr(error, "code", None) or getattr(
        getattr(error, "response", None), "status_code", None
    )
    if code is not None and code != 0:
        if code == 429 or code >= 500:
            return _Passing(f"the service answers {code}")
        return NothingUseful(
            f"{url}: the service answers {code}", "check the address of the service (--service)"
        )
    kinds = (error, cause)
    if any(isinstance(kind, requests.Timeout) for kind in kinds):
        return _Passing("the service does not answer")
    if any(isinstance(kind, requests.ConnectionError) for kind in kinds):
        return _Passing("no connection")
    if any(isinstance(kind, requests.RequestException) for kind in kinds):
        return _Passing(_brief(error))
    return _unreadable(url, _brief(error))


def _unreadable(url: str, why: str) -> NothingUseful:
    return NothingUseful(
        f"{url}: the answer is not the table that was asked for ({why})",
        "check the address of the service (--service), or try again later; nothing of it was kept",
    )


def _brief(error: Exception) -> str:
    words = " ".join(str(error).split()) or type(error).__name__
    return words if len(words) <= 120 else words[:117] + "…"


def _stars_of(table: Any, tile: Tile, to_mag: float) -> DeepStars:
    """The answer's rows as stars of the tile, each once, brightest first."""
    names = {name.lower(): name for name in table.colnames}
    missing = [name for name in _COLUMNS.values() if name not in names]
    if missing:
        raise NothingUseful(
            f"the answer for tile {tile.name} lacks the column {missing[0]}",
            "check that the service (--service) is a Gaia archive",
        )
    columns = {}
    for ours, theirs in _COLUMNS.items():
        kind = COLUMN_TYPES[ours]
        blank: float = np.nan if np.issubdtype(kind, np.floating) else 0
        try:
            values = np.ma.filled(np.ma.asarray(table[names[theirs]]).astype(kind), blank)
        except (ValueError, TypeError) as error:
            raise NothingUseful(
                f"the answer for tile {tile.name} has no numbers in the column {theirs}",
                "check that the service (--service) is a Gaia archive",
            ) from error
        columns[ours] = np.asarray(values, dtype=kind)
    for motion in ("pm_ra_mas", "pm_dec_mas"):
        columns[motion] = np.nan_to_num(columns[motion], nan=0.0).astype(np.float32)
    stars = DeepStars(**columns)
    fit = np.isfinite(stars.g_mag) & (stars.g_mag <= to_mag + 1e-4)
    stars = stars.take(fit & tile.holds(stars.ra_deg, stars.dec_deg))
    _, first = np.unique(stars.source_id, return_index=True)
    stars = stars.take(first)
    return stars.take(np.argsort(stars.g_mag, kind="stable"))
