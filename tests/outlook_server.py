"""A server on this machine that answers as the outlook services do, and documents laid out like theirs.

The layout follows the services' documentation (weather-gov/api's OpenAPI file and the Open-Meteo pages); the numbers
are made up.
"""

import json
import threading
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import numpy as np
import pandas as pd


def text(document):
    return json.dumps(document).encode()


def grid(updated="2026-10-05T12:00:00+00:00", unit="wmoUnit:degC", **layers):
    """Two local days of 24 h from 2026-10-06 00:00 in California (07:00 UTC), 6 October 10 C, 7 October 20 C."""
    return {
        "type": "Feature",
        "properties": {
            "updateTime": updated,
            "validTimes": "2026-10-05T05:00:00+00:00/P7DT20H",
            "elevation": {"unitCode": "wmoUnit:m", "value": 20.1},
            "somethingNew": {"not": "known"},
            "temperature": {
                "uom": unit,
                "values": [
                    {"validTime": "2026-10-06T07:00:00+00:00/P1D", "value": 10.0},
                    {"validTime": "2026-10-07T07:00:00+00:00/PT23H", "value": 20.0},
                    {"validTime": "2026-10-08T06:00:00+00:00/PT1H", "value": None},
                ],
            },
            "quantitativePrecipitation": {
                "uom": "wmoUnit:mm",
                "values": [
                    {"validTime": "2026-10-06T07:00:00+00:00/PT18H", "value": 0},
                    # Six hours before and six after midnight.
                    {"validTime": "2026-10-07T01:00:00+00:00/PT12H", "value": 6.0},
                    {"validTime": "2026-10-07T13:00:00+00:00/PT18H", "value": 0},
                ],
            },
            **layers,
        },
    }


def answer(hours=72, offset_s=0, members=("", "_member01", "_member02"), first="2026-10-05T07:00", unix=False):
    """Hours from local midnight of 5 October in California; member k is k C warmer and twice k mm wetter an hour."""
    when = pd.date_range(first, periods=hours, freq="h") + pd.Timedelta(seconds=offset_s)
    hourly = {"time": [int(t.timestamp()) for t in when] if unix else when.strftime("%Y-%m-%dT%H:%M").tolist()}
    units = {"time": "unixtime" if unix else "iso8601"}
    for k, suffix in enumerate(members):
        hourly[f"temperature_2m{suffix}"] = (10.0 + k + np.arange(hours) % 24).tolist()
        hourly[f"precipitation{suffix}"] = [float(2 * k)] * hours
        units |= {f"temperature_2m{suffix}": "°C", f"precipitation{suffix}": "mm"}
    return {
        "latitude": 38.5,
        "longitude": -121.9,
        "elevation": 20.0,
        "generationtime_ms": 0.1,
        "utc_offset_seconds": offset_s,
        "timezone": "GMT",
        "timezone_abbreviation": "GMT",
        "hourly_units": units,
        "hourly": hourly,
    }


@contextmanager
def server(*answers):
    """A server on this machine that gives these answers in turn, the last one for ever; yields address and log."""
    log, left = [], list(answers)

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self):
            log.append((self.path, dict(self.headers)))
            if self.path.startswith("/points/"):
                grid_at = f"http://127.0.0.1:{self.server.server_port}/gridpoints/STO/1,2"
                status, body, headers = 200, text({"properties": {"forecastGridData": grid_at}}), {}
            else:
                status, body, headers = left[0] if len(left) == 1 else left.pop(0)
            self.send_response(status)
            for name, value in ({"Content-Length": len(body)} | headers).items():
                self.send_header(name, str(value))
            self.end_headers()
            self.close_connection = True
            if status != 304:
                self.wfile.write(body)

        def log_message(self, *_):
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as running:
        thread = threading.Thread(target=running.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        try:
            yield f"http://127.0.0.1:{running.server_port}", log
        finally:
            running.shutdown()
            thread.join()


def ok(document, **headers):
    return 200, text(document), {name.replace("_", "-"): value for name, value in headers.items()}


def failed(status, title="Unexpected Problem"):
    return status, text({"title": title, "status": status, "detail": f"{title} in detail"}), {}
