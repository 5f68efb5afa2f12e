"""Takes what the program posts to its webhook, with other people's libraries: the signature by Python's `hmac`, the form by
`jsonschema` against config/webhook.schema.json.

    python tests/webhook/receive.py PROGRAM

A simulated night is played first; its exports then go through `watch` with this script as the address. It refuses the first
calls as a busy server does, so that repeats are seen as well.
"""

import hashlib
import hmac
import http.server
import json
import pathlib
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time

import jsonschema

SECRET = b"a secret that both sides know"
ROOT = pathlib.Path(__file__).resolve().parents[2]
SCHEMA = json.loads((ROOT / "config/webhook.schema.json").read_text())
CHECKER = jsonschema.Draft202012Validator(SCHEMA, format_checker=jsonschema.FormatChecker())
BUSY = 2

accepted, calls, wrong = [], [0], []


class Handler(http.server.BaseHTTPRequestHandler):
    def do_POST(self):
        body = self.rfile.read(int(self.headers["Content-Length"]))
        expected = "sha256=" + hmac.new(SECRET, body, hashlib.sha256).hexdigest()
        if not hmac.compare_digest(expected, self.headers.get("Runsitter-Signature", "")):
            wrong.append("signature")
        payload = json.loads(body)
        wrong.extend(error.message for error in CHECKER.iter_errors(payload))
        calls[0] += 1
        busy = calls[0] <= BUSY
        if not busy:
            accepted.append(payload)
        self.send_response(503 if busy else 204)
        self.end_headers()

    def log_message(self, *_):
        pass


def main(program):
    CHECKER.check_schema(SCHEMA)
    with tempfile.TemporaryDirectory() as scratch:
        scratch = pathlib.Path(scratch)
        played, lab = scratch / "played", scratch / "lab"
        subprocess.run([program, "rehearse", "--cycle", "0.6", "--into", played], stdout=subprocess.DEVNULL)
        lab.mkdir()
        shutil.copytree(played / "exports", lab / "exports")
        shutil.copy(played / "brine-acids.toml", lab)
        server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        threading.Thread(target=server.serve_forever, daemon=True).start()
        (lab / "secret").write_bytes(SECRET + b"\n")
        (lab / "secret").chmod(0o600)
        config = (played / "runsitter.toml").read_text()
        port = server.server_address[1]
        config += f'\n[alert.webhook]\nurl = "http://127.0.0.1:{port}/letters"\nsecret_file = "secret"\n'
        (lab / "runsitter.toml").write_text(config)
        watch = subprocess.Popen([program, "watch"], cwd=lab, stderr=subprocess.DEVNULL)
        until = time.monotonic() + 90
        kinds = []
        while time.monotonic() < until and not {"alert", "queue-ended"} <= set(kinds):
            time.sleep(0.2)
            kinds = [p["kind"] for p in accepted]
        watch.send_signal(signal.SIGTERM)
        watch.wait(10)
        server.shutdown()
    names = [(p["station"], p["key"], p["repeat"]) for p in accepted]
    print(f"{calls[0]} calls, {len(accepted)} letters: {', '.join(kinds)}")
    if wrong or len(set(names)) != len(names) or not {"alert", "queue-ended"} <= set(kinds):
        sys.exit(f"found wrong: {wrong}; letters {names}; expected signed letters of the documented form, each once")


if __name__ == "__main__":
    main(sys.argv[1])
