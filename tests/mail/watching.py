"""A short night of the real daemon, with a mail server that others wrote.

The traces are those of `examples/night`: 14 injections, of which the standard at 10 is low. The ninth, which never came
there, is the eighth once more here, so that the queue ends with its last trace.
"""

import datetime
import email
import email.policy
import os
import pathlib
import shutil
import signal
import subprocess
import time

from office import LOGIN, TRUSTED, Clerk, at, free_port

NIGHT = pathlib.Path(__file__).resolve().parents[2] / "examples/night"
EVENING = datetime.datetime(2026, 9, 21, 18, tzinfo=datetime.timezone.utc)
TO, SUMMARY_TO = ["ada@lab.example", "bo@lab.example"], ["lab@lab.example"]
# So long a test waits for what should happen soon, s.
PATIENCE = 60


class Night:
    """The daemon on a laboratory's folder. It never outlives its case."""

    def __init__(self, lab, server, timeout_s=2):
        self.folder, self.program, self.daemon = lab.folder, lab.program, None
        for name in ("brine-acids.toml", "calibration.toml"):
            shutil.copy(NIGHT / name, self.folder / name)
        (self.folder / "runsitter.toml").write_text(f"""state_dir = "state"
results_dir = "results"
[[station]]
name = "acids"
watch = "exports"
files = ["brine-*.csv"]
run_list = "exports/*.runlist.csv"
method = "brine-acids.toml"
calibration = "calibration.toml"
settle_s = 0.2
poll_s = 0.2
[station.pressure]
file = "pressure.csv"
unit = "MPa"
[alert.email]
{server}from = "Bänch 2 <hplc@lab.example>"
to = ["Ada <{TO[0]}>", "{TO[1]}"]
summary_to = ["{SUMMARY_TO[0]}"]
timeout_s = {timeout_s}
""")

    def __enter__(self):
        log = open(self.folder / "watch.log", "w")
        self.daemon = subprocess.Popen(
            [self.program, "watch", "--config", "runsitter.toml"],
            cwd=self.folder,
            env=os.environ | {"TZ": "UTC", "RUST_LOG": "runsitter=info"},
            stdout=subprocess.DEVNULL,
            stderr=log,
        )
        self.until("it watches", lambda: any(line.endswith("watching") for line in self.log().splitlines()))
        return self

    def __exit__(self, *error):
        if self.daemon.poll() is None:
            self.daemon.kill()
        self.daemon.wait()

    def stop(self):
        """As a service manager does: it ends well, within 5 s."""
        self.daemon.send_signal(signal.SIGTERM)
        assert self.daemon.wait(timeout=5) == 0, self.log()

    def log(self):
        return (self.folder / "watch.log").read_text()

    def until(self, what, happened):
        began = time.monotonic()
        while not happened():
            assert self.daemon.poll() is None, f"the daemon ended while the test waited until {what}: {self.log()}"
            assert time.monotonic() - began < PATIENCE, f"waited {PATIENCE} s until {what}: {self.log()}"
            time.sleep(0.02)
        return time.monotonic() - began

    def lay(self, name, minutes, content=None):
        """Written aside, dated and moved: it is whole at once."""
        aside = self.folder / "aside"
        shutil.copy(NIGHT / "exports" / (content or name), aside)
        at_s = EVENING.timestamp() + 60 * minutes
        os.utime(aside, (at_s, at_s))
        aside.rename(self.folder / "exports" / name)

    def list(self):
        self.lay("brine.runlist.csv", 0)

    def export(self, *positions):
        for position in positions:
            content = "brine-08.csv" if position == 9 else None
            self.lay(f"brine-{position:02}.csv", 24 * position, content)

    def landed(self):
        """Names of traces in the sheet."""
        sheet = self.folder / "results/acids/brine/sheet.csv"
        text = sheet.read_text() if sheet.exists() else ""
        return {name for n in range(1, 15) if (name := f"brine-{n:02}.csv") in text}

    def has(self, *positions):
        return self.until(f"{positions} are in the sheet", lambda: {f"brine-{n:02}.csv" for n in positions} <= self.landed())

    def pressure(self, minutes, mpa):
        with open(self.folder / "pressure.csv", "a") as log:
            if log.tell() == 0:
                log.write("time,pressure_mpa\n")
            for minute in minutes:
                when = EVENING + datetime.timedelta(minutes=minute)
                log.write(f"{when:%Y-%m-%dT%H:%M:%SZ},{mpa + 0.01 * (minute % 3):.2f}\n")

    def alert_files(self, part):
        folder = self.folder / "results/acids/alerts"
        return [p.read_text() for p in folder.glob("*.txt") if part in p.name]


def parsed(clerk):
    """Sender, recipients and message of everything that arrived."""
    return [(to, email.message_from_bytes(raw, policy=email.policy.default)) for _, to, raw in list(clerk.got)]


def with_subject(clerk, part):
    return [(to, m) for to, m in parsed(clerk) if part in m["Subject"]]


def has_both_texts(message):
    """Plain text and HTML that say the same, nothing amiss, and no line that only one of the two shows first."""
    assert not message.defects and not any(p.defects for p in message.walk()), "defects"
    assert message["Auto-Submitted"] == "auto-generated"
    assert abs(message["Date"].datetime.timestamp() - time.time()) < 120, message["Date"]
    plain, page = message.get_body(("plain",)), message.get_body(("html",))
    assert plain.get_content_type() == "text/plain" and page.get_content_type() == "text/html"
    assert page.get_content().startswith("<!DOCTYPE html>") and "<script" not in page.get_content()
    assert len(message["Subject"]) <= 70, message["Subject"]
    return plain.get_content()


def case_a_night_is_told_by_mail(lab):
    clerk = Clerk()
    server, port = lab.server(clerk, "starttls", login=True)
    with Night(lab, at(port, "starttls", TRUSTED + LOGIN)) as night:
        night.list()
        night.pressure(range(0, 50), 6.0)
        night.export(1, 2)
        night.has(1, 2)
        # The pressure passes its limit, and comes back.
        night.pressure(range(50, 55), 20.0)
        night.until("the pressure is told", lambda: with_subject(clerk, "pressure"))
        night.pressure(range(55, 60), 6.0)
        night.until("its end is told", lambda: len(with_subject(clerk, "pressure")) == 2)
        (_, high), (to, over) = with_subject(clerk, "pressure")
        assert to == TO and "In-Reply-To" not in high, high.keys()
        assert over["References"] == over["In-Reply-To"] == high["Message-ID"] != over["Message-ID"], over.keys()
        assert "over" in over["Subject"], over["Subject"]
        # A standard fails; a sample that must be run again is known by then.
        night.export(3, 4, 5, 6, 7, 8, 9, 10)
        night.until("the standard is told", lambda: with_subject(clerk, "standard low"))
        to, alert = with_subject(clerk, "standard low")[0]
        text = has_both_texts(alert)
        assert to == TO and "DO FIRST" in text and "recovery" in text, text
        assert text.replace("\r\n", "\n").strip() in [t.strip() for t in night.alert_files("brine-10")], text
        attached = {a.get_filename(): a.get_content() for a in alert.iter_attachments()}
        assert set(attached) == {"brine-rerun.csv"} and "crock A day 7" in attached["brine-rerun.csv"], attached
        night.export(11, 12, 13, 14)
        night.until("the summary arrives", lambda: any(to == SUMMARY_TO for to, _ in parsed(clerk)))
        night.stop()
    server.stop()
    summary = [m for to, m in parsed(clerk) if to == SUMMARY_TO]
    assert len(summary) == 1, [m["Subject"] for m in summary]
    results = lab.folder / "results/acids/brine"
    text = has_both_texts(summary[0]).replace("\r\n", "\n").strip()
    assert text == (results / "summary.txt").read_text().strip(), text
    attached = {a.get_filename(): a.get_payload(decode=True) for a in summary[0].iter_attachments()}
    assert attached["brine-rerun.csv"] == (results / "rerun.csv").read_bytes(), list(attached)
    ids = [m["Message-ID"] for _, m in parsed(clerk)]
    assert len(ids) == len(set(ids)), "a message came twice"
    assert set(clerk.users) == {b"hplc"} and not night.alert_files("not-sent"), night.log()


def low_standard(night, *others):
    night.list()
    night.export(1, 2, *others, 10)
    night.until("the alert has its file", lambda: night.alert_files("brine-10"))


def case_greylisting_at_night(lab):
    seen = set()

    def rcpt(address):
        first = address not in seen
        seen.add(address)
        return "451 4.7.1 greylisted, try again" if first else None

    clerk = Clerk(rcpt=rcpt)
    server, port = lab.server(clerk, "none")
    with Night(lab, at(port, "none")) as night:
        low_standard(night)
        night.until("it was asked to come again", lambda: "451 4.7.1 greylisted" in night.log())
        assert not clerk.got
        took = night.until("it is taken", lambda: clerk.got)
        # The first wait is 5 s, give or take a quarter.
        assert 3 < took < 20, took
        night.stop()
    server.stop()
    assert [to for to, _ in with_subject(clerk, "standard low")] == [TO], parsed(clerk)
    assert not night.alert_files("not-sent")


def case_a_server_that_comes_back(lab):
    port, clerk = free_port(), Clerk()
    with Night(lab, at(port, "none")) as night:
        low_standard(night, 3, 4, 5, 6, 7, 8, 9)
        night.export(11, 12, 13, 14)
        night.until("alert and summary were tried", lambda: night.log().count("could not be sent now") >= 2)
        server, _ = lab.server(clerk, "none", port=port)
        night.until("both are taken", lambda: len(clerk.got) >= 2)
        # What was sent is not sent again.
        time.sleep(2)
        night.stop()
    server.stop()
    recipients = sorted(to for to, _ in parsed(clerk))
    assert recipients == [TO, SUMMARY_TO], recipients


def case_a_server_that_hangs_delays_no_trace(lab):
    clerk = Clerk(slow={"EHLO": 120})
    server, port = lab.server(clerk, "none")
    with Night(lab, at(port, "none"), timeout_s=60) as night:
        low_standard(night)
        night.until("it hangs", lambda: clerk.calls)
        waits = []
        for position in (3, 4, 5, 6, 7, 8, 11, 12):
            night.export(position)
            waits.append(night.has(position))
        # 0.2 s until a file counts as whole, a look each 0.2 s; sheets that are made anew may wait for 0.5 s and more.
        assert max(waits) < 5, waits
        assert not clerk.got and night.log().count("could not be sent") == 0, "it hangs no more"
        night.stop()
    server.stop()
    print(f"        from export to sheet beside a hanging server: {sorted(waits)[len(waits) // 2]:.1f} s, at most {max(waits):.1f} s")


def case_a_refusal_for_good_at_night(lab):
    clerk = Clerk(end="554 5.7.1 not here")
    server, port = lab.server(clerk, "none")
    with Night(lab, at(port, "none")) as night:
        low_standard(night)
        night.until("the alert folder says so", lambda: night.alert_files("not-sent-mail-"))
        text = night.alert_files("not-sent-mail-")[0]
        assert "554 5.7.1 not here" in text and "standard low" in text, text
        # A first wait would be over by then.
        time.sleep(8)
        assert clerk.calls == 1, f"tried {clerk.calls} times"
        night.stop()
    server.stop()
