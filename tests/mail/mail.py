"""Mail of the real program to a mail server that others wrote, on this machine alone.

Usage: mail.py PROGRAM    (needs the packages aiosmtpd and trustme)

Each case starts a server on a free port of the loopback, runs `PROGRAM check --mail`, and looks at the exit code, at
what the program said, and at what the server got, parsed by Python's own email package.
"""

import asyncio
import datetime
import email
import email.policy
import logging
import os
import pathlib
import socket
import ssl
import subprocess
import sys
import tempfile
import time
import warnings

import trustme
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword

METHOD = pathlib.Path(__file__).resolve().parents[2] / "config/methods/brine-acids.toml"
PASSWORD = "pä ss\"word"


class Clerk:
    """Takes messages; the hooks say otherwise."""

    def __init__(self, rcpt=None, end=None, slow=None):
        self.got, self.users, self.rcpt, self.end, self.slow = [], [], rcpt, end, slow or {}

    async def handle_EHLO(self, server, session, envelope, hostname, responses):
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

    def server(self, clerk, security, login=False):
        port = free_port()
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


def is_well_formed(raw):
    """What arrives, by the email package: every header and part as it should be."""
    lines = raw.split(b"\r\n")
    assert all(len(line) <= 998 and b"\r" not in line and b"\n" not in line for line in lines), "lines"
    message = email.message_from_bytes(raw, policy=email.policy.default)
    assert not message.defects and not any(p.defects for p in message.walk()), "defects"
    assert str(message["Subject"]).startswith("test message"), message["Subject"]
    assert message["From"].addresses[0].display_name == "Bänch 2"
    assert [a.addr_spec for a in message["To"].addresses] == ["ada@lab.example", "bo@lab.example"]
    assert message["Auto-Submitted"] == "auto-generated"
    assert message["Message-ID"].startswith("<") and message["Message-ID"].endswith("@lab.example>")
    assert abs(message["Date"].datetime.timestamp() - time.time()) < 60, message["Date"]
    plain, page = message.get_body(("plain",)), message.get_body(("html",))
    assert "DO FIRST" in plain.get_content() and "all is well" in plain.get_content()
    assert page.get_content().startswith("<!DOCTYPE html>") and "<script" not in page.get_content()
    assert message.get_content_type() == "multipart/alternative"


def protected(lab, security):
    clerk = Clerk()
    server, port = lab.server(clerk, security, login=True)
    code, said, _ = lab.check([at(port, security, TRUSTED + LOGIN)])
    server.stop()
    assert code == 0, said
    assert clerk.users == [b"hplc"] and len(clerk.got) == 1, (clerk.users, len(clerk.got))
    sender, recipients, raw = clerk.got[0]
    assert (sender, recipients) == ("hplc@lab.example", ["ada@lab.example", "bo@lab.example"])
    is_well_formed(raw)


def case_starttls_with_login(lab):
    protected(lab, "starttls")


def case_tls_with_login(lab):
    protected(lab, "tls")


def case_plain_on_this_machine(lab):
    clerk = Clerk()
    server, port = lab.server(clerk, "none")
    code, said, _ = lab.check([at(port, "none")])
    server.stop()
    assert code == 0 and len(clerk.got) == 1, said


def case_a_credential_from_systemd(lab):
    (lab.folder / "credentials").mkdir()
    (lab.folder / "credentials/smtp").write_text(PASSWORD)
    clerk = Clerk()
    server, port = lab.server(clerk, "starttls", login=True)
    login = 'user = "hplc"\ncredential = "smtp"\n'
    env = {"CREDENTIALS_DIRECTORY": str(lab.folder / "credentials")}
    code, said, _ = lab.check([at(port, "starttls", TRUSTED + login)], env=env)
    server.stop()
    assert code == 0 and len(clerk.got) == 1, said


def case_an_unknown_authority(lab):
    for security in ("starttls", "tls"):
        for trust in ('ca_file = "other.pem"\n', ""):
            clerk = Clerk()
            server, port = lab.server(clerk, security)
            code, said, _ = lab.check([at(port, security, trust)])
            server.stop()
            assert code == 3 and not clerk.got, said
            assert "the server's certificate" in said, said


def case_another_name(lab):
    lab.context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    lab.ca.issue_cert("mail.lab.example").configure_cert(lab.context)
    clerk = Clerk()
    server, port = lab.server(clerk, "starttls")
    code, said, _ = lab.check([at(port, "starttls", TRUSTED)])
    server.stop()
    assert code == 3 and not clerk.got and "is for another name than host" in said, said


def case_an_expired_certificate(lab):
    yesterday = datetime.datetime.now(datetime.timezone.utc) - datetime.timedelta(days=1)
    lab.context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    lab.ca.issue_cert("localhost", not_before=yesterday - datetime.timedelta(days=9), not_after=yesterday).configure_cert(lab.context)
    clerk = Clerk()
    server, port = lab.server(clerk, "tls")
    code, said, _ = lab.check([at(port, "tls", TRUSTED)])
    server.stop()
    assert code == 3 and not clerk.got and "certificate has expired" in said, said


def case_a_wrong_password(lab):
    lab.secret("guess\n")
    clerk = Clerk()
    server, port = lab.server(clerk, "starttls", login=True)
    code, said, _ = lab.check([at(port, "starttls", TRUSTED + LOGIN)])
    server.stop()
    assert code == 3 and not clerk.got and "user name or password refused (535" in said, said
    assert "guess" not in said, said


def case_a_password_that_others_can_read(lab):
    lab.secret(PASSWORD, 0o644)
    clerk = Clerk()
    server, port = lab.server(clerk, "starttls", login=True)
    code, said, _ = lab.check([at(port, "starttls", TRUSTED + LOGIN)])
    server.stop()
    assert code == 2 and not clerk.got and "found mode 644, open to others" in said, said


def case_greylisting(lab):
    seen = set()

    def rcpt(address):
        first = address not in seen
        seen.add(address)
        return "451 4.7.1 greylisted, try again" if first else None

    clerk = Clerk(rcpt=rcpt)
    server, port = lab.server(clerk, "starttls")
    first = lab.check([at(port, "starttls", TRUSTED)])
    again = lab.check([at(port, "starttls", TRUSTED)])
    server.stop()
    assert first[0] == 3 and "451 4.7.1 greylisted" in first[1], first
    assert again[0] == 0 and len(clerk.got) == 1, again


def case_an_unknown_recipient(lab):
    clerk = Clerk(rcpt=lambda a: "550 5.1.1 no such user" if a.startswith("bo") else None)
    server, port = lab.server(clerk, "starttls")
    code, said, _ = lab.check([at(port, "starttls", TRUSTED)])
    server.stop()
    assert code == 3 and "recipient bo@lab.example refused (550 5.1.1 no such user)" in said, said
    assert [g[1] for g in clerk.got] == [["ada@lab.example"]], "the other recipient has it all the same"


def case_a_message_that_is_refused(lab):
    clerk = Clerk(end="554 5.7.1 not here")
    server, port = lab.server(clerk, "starttls")
    code, said, _ = lab.check([at(port, "starttls", TRUSTED)])
    server.stop()
    assert code == 3 and "the message refused (554 5.7.1 not here)" in said, said


def case_a_slow_server(lab):
    for step, wait, fine in [("EHLO", 1, True), ("DATA", 4, True), ("EHLO", 6, False), ("RCPT", 6, False), ("DATA", 20, False)]:
        clerk = Clerk(slow={step: wait})
        server, port = lab.server(clerk, "none")
        code, said, took = lab.check([at(port, "none")])
        server.stop()
        assert (code == 0) == fine, (step, wait, said)
        # Each step has 2 s, the server's word at the end 8 s, the farewell 2 s.
        assert took < 14, (step, took)
        assert fine or "no answer within" in said, said


def case_several_servers(lab):
    clerk = Clerk()
    server, port = lab.server(clerk, "starttls", login=True)
    away = at(free_port(), "none")
    code, said, _ = lab.check([away, at(port, "starttls", TRUSTED + LOGIN)])
    server.stop()
    assert code == 3 and "connection and greeting failed" in said, said
    assert len(clerk.got) == 1, "each server is tried"


def case_no_mail_configured(lab):
    (lab.folder / "runsitter.toml").write_text(
        f'state_dir = "s"\nresults_dir = "r"\n[[station]]\nname = "a"\nwatch = "exports"\nmethod = "{METHOD}"\n'
    )
    done = subprocess.run([lab.program, "check", "--mail"], cwd=lab.folder, capture_output=True, text=True)
    assert done.returncode == 2 and "found no [alert.email]" in done.stderr, done


def main():
    # The server's own log of handshakes that were meant to fail.
    logging.getLogger("mail.log").setLevel(logging.CRITICAL + 1)
    warnings.simplefilter("ignore")
    program = str(pathlib.Path(sys.argv[1]).resolve())
    cases = [(n[5:], f) for n, f in globals().items() if n.startswith("case_")]
    failed = 0
    for name, case in cases:
        with tempfile.TemporaryDirectory() as folder:
            try:
                case(Lab(folder, program))
                print(f"ok      {name.replace('_', ' ')}", flush=True)
            except Exception as error:
                failed += 1
                print(f"FAILED  {name.replace('_', ' ')}: {type(error).__name__}: {error}", flush=True)
    print(f"{len(cases) - failed} passed, {failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
