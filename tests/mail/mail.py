"""Mail of the real program to a mail server that others wrote, on this machine alone.

Usage: mail.py PROGRAM    (needs the packages aiosmtpd and trustme)

Each case starts a server on a free port of the loopback, runs `PROGRAM check --mail` (here) or a short night of `PROGRAM
watch` (`watching.py`), and looks at the exit code, at what the program said, and at what the server got, parsed by Python's
own email package. Cases run beside one another: each has its own folder and its own server.
"""

import concurrent.futures
import datetime
import email
import email.policy
import logging
import pathlib
import ssl
import subprocess
import sys
import tempfile
import time
import warnings

import watching
from office import LOGIN, METHOD, PASSWORD, TRUSTED, Clerk, Lab, at, free_port


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


def run(name, case, program):
    with tempfile.TemporaryDirectory() as folder:
        try:
            case(Lab(folder, program))
            print(f"ok      {name}", flush=True)
            return True
        except Exception as error:
            print(f"FAILED  {name}: {type(error).__name__}: {error}", flush=True)
            return False


def main():
    # The server's own log of handshakes that were meant to fail.
    logging.getLogger("mail.log").setLevel(logging.CRITICAL + 1)
    warnings.simplefilter("ignore")
    program = str(pathlib.Path(sys.argv[1]).resolve())
    found = list(vars(watching).items()) + list(globals().items())
    cases = [(n[5:].replace("_", " "), f) for n, f in found if n.startswith("case_")]
    with concurrent.futures.ThreadPoolExecutor(4) as pool:
        fine = list(pool.map(lambda case: run(*case, program), cases))
    print(f"{sum(fine)} passed, {len(fine) - sum(fine)} failed, {time.monotonic() - BEGAN:.0f} s")
    return 0 if all(fine) else 1


BEGAN = time.monotonic()
if __name__ == "__main__":
    sys.exit(main())
