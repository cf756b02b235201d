"""A plain HTTP client for the children of these tests: forms, cookies, one line that is made anew when it breaks."""

import http.client
import re
from dataclasses import dataclass, field
from urllib.parse import urlencode


@dataclass
class Talk:
    """One person's browser, without a browser.  led_to: where the newest answer led, if it led anywhere."""

    host: str
    port: int
    tablet: str
    timeout_s: float = 10
    cookie: str = ""
    tokens: int = 0
    line: http.client.HTTPConnection | None = field(default=None)
    led_to: str = ""

    def ask(self, method: str, path: str, body: bytes | str | None = None, kind: str = "") -> tuple[int, bytes]:
        """Send one request and return status and body; raises OSError or HTTPException when the line breaks."""
        self.line = self.line or http.client.HTTPConnection(self.host, self.port, timeout=self.timeout_s)
        headers = {"Origin": f"http://{self.host}:{self.port}", "Cookie": self.cookie}
        headers |= {"Content-Type": kind} if kind else {}
        try:
            self.line.request(method, path, body, headers)
            answer = self.line.getresponse()
            data = answer.read()
        except (OSError, http.client.HTTPException):
            self.line.close()
            self.line = None
            raise
        self.led_to = answer.getheader("location") or ""
        if (made := answer.getheader("set-cookie")) and (found := re.match(r"changeout_session=[^;]+", made)):
            self.cookie = found.group()
        return answer.status, data

    def surely(self, method: str, path: str, body: bytes | str | None = None, kind: str = "") -> tuple[int, bytes]:
        """Send a request, once more where the server had closed a line that rested; a token makes that harmless."""
        try:
            return self.ask(method, path, body, kind)
        except (OSError, http.client.HTTPException):
            return self.ask(method, path, body, kind)

    def get(self, path: str) -> bytes:
        """Open a page."""
        status, data = self.surely("GET", path)
        assert status == http.HTTPStatus.OK, f"{path}: {status}"
        return data

    def post(self, path: str, **fields: str) -> None:
        """Send a form; anything but a redirect or a page that says yes is an error."""
        self.tokens += 1
        form = urlencode({"token": f"{self.tablet}-{self.tokens:024}", **fields})
        status, data = self.surely("POST", path, form, "application/x-www-form-urlencoded")
        assert status in (200, 303), f"{path} {fields}: {status} {re.findall(r'data-told>([^<]+)', data.decode())}"

    def sign_in(self, person: str, secret: str) -> None:
        """Begin a session at this tablet."""
        self.post("/signin", person=person, secret=secret, tablet=self.tablet)
        assert self.cookie, "signed in without a cookie"
