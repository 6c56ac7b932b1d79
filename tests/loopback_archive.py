"""A small TAP service on loopback: asynchronous jobs over a table held in memory.

It follows the IVOA's TAP 1.1 and UWS 1.1: a POST to /async makes a pending job, a POST of
PHASE=RUN starts it, and its state passes through EXECUTING to COMPLETED as it is asked for.
Faults are queued by the tests and used up one an occasion.
"""

from __future__ import annotations

import io
import re
import socket
import threading
from collections import defaultdict
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs

import numpy as np
from astropy.io.votable import from_table
from astropy.table import MaskedColumn, Table

COLUMNS = ("source_id", "ra", "dec", "pmra", "pmdec", "phot_g_mean_mag", "bp_rp")
_SHAPE = re.compile(
    r"SELECT (?P<columns>.+?) FROM gaiadr3\.gaia_source WHERE "
    r"1 = CONTAINS\(POINT\('ICRS', ra, dec\), "
    r"CIRCLE\('ICRS', (?P<ra>[\d.]+), (?P<dec>-?[\d.]+), (?P<radius>[\d.]+)\)\) "
    r"AND (?P<rest>.+)"
)
_LIMIT = re.compile(r"(ra|dec|phot_g_mean_mag) (>=|<=|<|>) (-?[\d.]+)")
_COMPARE = {">=": np.greater_equal, "<=": np.less_equal, "<": np.less, ">": np.greater}


def sky_table(seed: int, density_per_deg2: float, box: tuple[float, float, float, float]) -> Table:
    """Stars at random in a box (ra from, to, dec from, to), magnitudes 9.8 to 15, some blanks."""
    rng = np.random.default_rng(seed)
    west, east, south, north = box
    n = round(density_per_deg2 * (east - west) * (north - south))
    table = Table()
    table["source_id"] = 4_000_000_000_000_000_000 + np.arange(n, dtype=np.int64)
    table["ra"] = rng.uniform(west, east, n)
    table["dec"] = rng.uniform(south, north, n)
    blank = rng.random(n) < 0.1
    for name in ("pmra", "pmdec"):
        table[name] = MaskedColumn(rng.normal(0, 8, n), mask=blank)
    table["phot_g_mean_mag"] = np.clip(14.0 + np.log10(rng.random(n)) / 0.36, 9.8, None) + 1.0 * (
        rng.random(n) < 0.3
    )
    table["bp_rp"] = MaskedColumn(rng.normal(1.0, 0.4, n), mask=blank)
    return table


class LoopbackArchive:
    """The service; ``url`` is its address, ``queries`` what it was asked, ``faults`` what fails.

    ``faults[occasion]`` lists what happens on the next occasions ("submit", "run", "phase" or
    "result"): a status code, "garbage", "overflow", "error", "hang up" or "ok".
    """

    def __init__(self, table: Table) -> None:
        self.table = table
        self.queries: list[str] = []
        self.faults: dict[str, list[int | str]] = defaultdict(list)
        self.jobs: dict[str, dict] = {}
        self.running_at_once = 0
        self.deleted = 0
        self._server = ThreadingHTTPServer(("127.0.0.1", 0), _handler(self))
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True)
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}/tap"

    def __enter__(self) -> LoopbackArchive:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def fault(self, occasion: str) -> int | str:
        return self.faults[occasion].pop(0) if self.faults[occasion] else "ok"

    def answer(self, query: str) -> Table:
        """The rows a query selects; a query of another shape is refused as by a real service."""
        shape = _SHAPE.fullmatch(query)
        if shape is None:
            raise ValueError("cannot parse the query")
        t = self.table
        ra, dec = np.radians(t["ra"].data), np.radians(t["dec"].data)
        ra0, dec0 = np.radians(float(shape["ra"])), np.radians(float(shape["dec"]))
        cosine = np.sin(dec) * np.sin(dec0) + np.cos(dec) * np.cos(dec0) * np.cos(ra - ra0)
        keep = cosine >= np.cos(np.radians(float(shape["radius"])))
        limits = _LIMIT.findall(shape["rest"])
        assert len(limits) == 5
        for name, sign, value in limits:
            keep &= _COMPARE[sign](t[name].data, float(value))
        return t[shape["columns"].split(", ")][keep]


def _votable(table: Table, status: str) -> bytes:
    document = from_table(table)
    out = io.BytesIO()
    # Binary, as the great archives send it. (The C writer of the text form can corrupt memory in
    # astropy 8.0: its issue 20419.)
    document.to_xml(out, tabledata_format="binary2")
    info = f'<INFO name="QUERY_STATUS" value="{status}"/>'.encode()
    if status == "OVERFLOW":
        # As the standard has it: OK before the table, the overflow after it.
        body = out.getvalue().replace(b"</TABLE>", b"</TABLE>" + info)
        return body.replace(b"<TABLE", b'<INFO name="QUERY_STATUS" value="OK"/><TABLE', 1)
    return out.getvalue().replace(b"<TABLE", info + b"<TABLE", 1)


def _job_xml(name: str, job: dict) -> bytes:
    results = error = ""
    if job["phase"] == "COMPLETED":
        results = (
            f'<uws:result id="result" xlink:href="{job["url"]}/results/result" '
            'xlink:type="simple"/>'
        )
    if job["phase"] == "ERROR":
        error = (
            '<uws:errorSummary type="fatal" hasDetail="false"><uws:message>cannot parse the query'
            "</uws:message></uws:errorSummary>"
        )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>'
        '<uws:job xmlns:uws="http://www.ivoa.net/xml/UWS/v1.0" '
        'xmlns:xlink="http://www.w3.org/1999/xlink" '
        'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" version="1.1">'
        f'<uws:jobId>{name}</uws:jobId><uws:ownerId xsi:nil="true"/>'
        f'<uws:phase>{job["phase"]}</uws:phase><uws:quote xsi:nil="true"/>'
        "<uws:creationTime>2026-09-12T20:00:00.000Z</uws:creationTime>"
        "<uws:startTime>2026-09-12T20:00:00.000Z</uws:startTime>"
        '<uws:endTime xsi:nil="true"/><uws:executionDuration>1800</uws:executionDuration>'
        "<uws:destruction>2026-09-15T20:00:00.000Z</uws:destruction>"
        f"<uws:parameters/><uws:results>{results}</uws:results>{error}</uws:job>"
    ).encode()


def _handler(archive: LoopbackArchive) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        def log_message(self, *_: object) -> None:
            pass

        def send(self, code: int, body: bytes = b"", kind: str = "text/xml", **headers) -> None:
            self.send_response(code)
            for name, value in headers.items():
                self.send_header(name, value)
            self.send_header("Content-Type", kind)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def failed(self, occasion: str) -> str | None:
            """Act out a queued fault; returns None when it ended the request."""
            fault = archive.fault(occasion)
            if isinstance(fault, int):
                self.send(fault, b"come back later", "text/plain")
                return None
            if fault == "hang up":
                self.close_connection = True
                self.connection.shutdown(socket.SHUT_RDWR)
                return None
            return fault

        def do_POST(self) -> None:
            text = self.rfile.read(int(self.headers.get("Content-Length", 0))).decode()
            form = parse_qs(text)
            parts = self.path.strip("/").split("/")
            if parts[1:] == ["async"]:
                if self.failed("submit") is None:
                    return
                query = form["QUERY"][0]
                archive.queries.append(query)
                name = f"job{len(archive.queries)}"
                archive.jobs[name] = {
                    "phase": "PENDING", "query": query, "url": f"{archive.url}/async/{name}",
                    "maxrec": form.get("MAXREC"),
                }  # fmt: skip
                alive = [j for j in archive.jobs.values() if j["phase"] not in {"ERROR", "GONE"}]
                archive.running_at_once = max(archive.running_at_once, len(alive))
                self.send(303, Location=archive.jobs[name]["url"])
            elif parts[3:] == ["phase"] and form["PHASE"] == ["RUN"]:
                fault = self.failed("run")
                if fault is None:
                    return
                job = archive.jobs[parts[2]]
                job["phase"] = "EXECUTING"
                job["then"] = "ERROR" if fault == "error" else "COMPLETED"
                self.send(303, Location=job["url"])
            else:
                self.send(404)

        def do_GET(self) -> None:
            parts = self.path.split("?")[0].strip("/").split("/")
            if parts[1] != "async" or parts[2] not in archive.jobs:
                self.send(404)
                return
            job = archive.jobs[parts[2]]
            if len(parts) == 3:
                if self.failed("phase") is None:
                    return
                body = _job_xml(parts[2], job)
                if job["phase"] == "EXECUTING":
                    job["phase"] = job["then"]
                self.send(200, body)
                return
            fault = self.failed("result")
            if fault is None:
                return
            if fault == "garbage":
                self.send(200, b"<html><body>Please log in & accept</body>", "text/html")
                return
            try:
                table = archive.answer(job["query"])
            except ValueError as error:
                self.send(400, str(error).encode(), "text/plain")
                return
            if fault == "no colour":
                table.remove_column("bp_rp")
            body = _votable(table, "OVERFLOW" if fault == "overflow" else "OK")
            if fault == "cut short":
                body = body[: len(body) // 2]
            self.send(200, body, "application/x-votable+xml")

        def do_DELETE(self) -> None:
            name = self.path.strip("/").split("/")[2]
            if name in archive.jobs:
                archive.jobs[name]["phase"] = "GONE"
                archive.deleted += 1
            self.send(303, Location=f"{archive.url}/async")

    return Handler
