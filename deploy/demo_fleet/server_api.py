"""Asks a Bayward server over its HTTP door: RPCs as protobuf JSON, readiness, metrics."""

import http.client
import json
import urllib.error
import urllib.request

# No proxy of the environment: the server is on this machine.
_OPENER = urllib.request.build_opener(urllib.request.ProxyHandler({}))


class ServerError(Exception):
    """The server did not answer, or refused; the text says what it was asked and what it said."""


class Server:
    def __init__(self, address, timeout=60):
        self._base, self._timeout = f"http://{address}", timeout

    def _fetch(self, path, body=None):
        headers = {"Content-Type": "application/json"} if body is not None else {}
        request = urllib.request.Request(self._base + path, data=body, headers=headers)
        try:
            with _OPENER.open(request, timeout=self._timeout) as response:
                return response.headers.get("Content-Type", ""), response.read().decode("utf-8")
        except urllib.error.HTTPError as error:
            raise ServerError(f"{path}: {error.code} {error.read().decode('utf-8', 'replace').strip()}") from None
        except (OSError, http.client.HTTPException) as error:
            raise ServerError(f"{path}: {error}") from None

    def ready(self):
        try:
            self._fetch("/ready")
            return True
        except ServerError:
            return False

    def call(self, method, request):
        """`method`: "Figures/GetAvailability"."""
        _, text = self._fetch(f"/bayward.v1.{method}", json.dumps(request).encode())
        return json.loads(text)

    def metrics(self):
        """Content type and text."""
        return self._fetch("/metrics")
