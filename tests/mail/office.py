"""The mail server of these tests, and the laboratory that it belongs to."""

import asyncio
import os
import pathlib
import socket
import ssl
import subprocess
import time

import trustme
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword

METHOD = pathlib.Path(__file__).resolve().parents[2] / "config/methods/brine-acids.toml"
PASSWORD = "pä ss\"word"


class Clerk:
    """Takes messages; the hooks say otherwise."""

    def __init__(self, rcpt=None, end=None, slow=None):
        self.got, self.users, self.rcpt, self.end, self.slow = [], [], rcpt, end, slow or {}
        self.calls = 0

    async def handle_EHLO(self, server, session, envelope, hostname, responses):
        self.calls += 1
        await asyncio.sleep(self.slow.get("EHLO", 0))
        session.host_name = hostname
        return responses

    async def handle_RCPT(self, server, session, envelope, address, options):
        await asyncio.sleep(self.slow.get("RCPT", 0))
        said = self.rcpt(address) if self.rcpt else None
        if said:
            return said
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope):
        await asyncio.sleep(self.slow.get("DATA", 0))
        if self.end:
            return self.end
        self.got.append((envelope.mail_from, list(envelope.rcpt_tos), envelope.content))
        return "250 OK"

    def login(self, server, session, envelope, mechanism, data):
        fits = isinstance(data, LoginPassword) and data.login == b"hplc" and data.password == PASSWORD.encode()
        if fits:
            self.users.append(data.login)
        # Not handled: the library itself says 535.
        return AuthResult(success=fits, handled=False)


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


class Lab:
    """A configuration in a folder of its own, and the server that it names."""

    def __init__(self, folder, program):
        self.folder, self.program = pathlib.Path(folder), program
        (self.folder / "exports").mkdir()
        self.ca, self.other = trustme.CA(), trustme.CA()
        self.ca.cert_pem.write_to_path(self.folder / "ca.pem")
        self.other.cert_pem.write_to_path(self.folder / "other.pem")
        leaf = self.ca.issue_cert("localhost")
        self.context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        leaf.configure_cert(self.context)
        self.secret(PASSWORD + "\n")

    def secret(self, text, mode=0o600):
        path = self.folder / "password"
        path.write_text(text)
        path.chmod(mode)

    def server(self, clerk, security, login=False, port=None):
        port = port or free_port()
        keys = {"hostname": "127.0.0.1", "port": port, "ready_timeout": 10}
        if security == "starttls":
            keys |= {"tls_context": self.context, "require_starttls": True}
        if security == "tls":
            keys |= {"ssl_context": self.context}
        if login:
            # Over implicit TLS the library does not see that it is protected.
            keys |= {"authenticator": clerk.login, "auth_required": True, "auth_require_tls": security == "starttls"}
        controller = Controller(clerk, **keys)
        controller.start()
        return controller, port

    def check(self, servers, env=None):
        """Runs `check --mail` and gives the exit code, what was said, and how long it took."""
        first, *others = servers
        rest = "".join("[[alert.email.server]]\n" + table for table in others)
        text = f"""state_dir = "state"
results_dir = "results"
[[station]]
name = "acids"
watch = "exports"
method = "{METHOD}"
[alert.email]
{first}from = "Bänch 2 <hplc@lab.example>"
to = ["Ada <ada@lab.example>", "bo@lab.example"]
timeout_s = 2
{rest}"""
        (self.folder / "runsitter.toml").write_text(text)
        began = time.monotonic()
        done = subprocess.run(
            [self.program, "check", "--mail"],
            cwd=self.folder,
            env=os.environ | (env or {}),
            capture_output=True,
            text=True,
            timeout=120,
        )
        said = done.stdout + done.stderr
        assert PASSWORD not in said, "the password is in what the program says"
        return done.returncode, said, time.monotonic() - began


def at(port, security, more=""):
    return f'host = "localhost"\nport = {port}\nsecurity = "{security}"\n{more}'


TRUSTED = 'ca_file = "ca.pem"\n'
LOGIN = 'user = "hplc"\npassword_file = "password"\n'
