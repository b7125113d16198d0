"""The built program: the daemon as a process, the commands, and the HTTP API."""

import datetime as dt
import json
import os
import re
import signal
import socket
import subprocess
import time
import urllib.error
import urllib.request
from pathlib import Path
from string import Template

HERE = Path(__file__).parent
ROOT = HERE.parent.parent
BIN = os.environ.get("SHORELAMP_BIN", str(ROOT / "target" / "debug" / "shorelamp"))


def free_port():
    """A loopback port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


class Answer:
    """An HTTP answer, refused or not."""

    def __init__(self, status, headers, body):
        self.status, self.headers, self.body = status, headers, body

    @property
    def text(self):
        return self.body.decode("utf-8")

    @property
    def json(self):
        return json.loads(self.body)

    def __repr__(self):
        return f"{self.status} {self.body[:2000].decode('utf-8', 'replace')}"


def request(method, url, body=None, headers=None, timeout=20):
    """One request; an error status is an answer like any other."""
    if isinstance(body, (dict, list)):
        body = json.dumps(body)
        headers = {"Content-Type": "application/json"} | (headers or {})
    data = body.encode() if isinstance(body, str) else body
    question = urllib.request.Request(url, data=data, method=method, headers=headers or {})
    try:
        with urllib.request.urlopen(question, timeout=timeout) as answer:
            return Answer(answer.status, answer.headers, answer.read())
    except urllib.error.HTTPError as error:
        return Answer(error.code, error.headers, error.read())


def rung(at, to, kind):
    """A rung of the ladder as it stands in a settings file."""
    return f'[[ladder.rung]]\nat = "{at}"\nto = {json.dumps(to)}\nkind = "{kind}"\n'


# Seconds where people have minutes.
LADDER = [
    rung("due-4s", ["crew"], "reminder"),
    rung("due", ["crew"], "due"),
    rung("overdue", ["contact:1"], "overdue"),
    rung("overdue+5s", ["contacts"], "overdue"),
    rung("overdue+10s", ["contacts", "keeper"], "call-rescue"),
]


def put_off(plan, by_s):
    """The plan with a later return."""
    def later(found):
        at = dt.datetime.fromisoformat(found[1]) + dt.timedelta(seconds=by_s)
        return f'return_by = "{at.isoformat()}"'
    return re.sub(r'return_by = "([^"]+)"', later, plan)


class Daemon:
    """A daemon with its own folder, settings and port."""

    def __init__(self, folder, relay="", ndbc="http://127.0.0.1:9", ladder=None, grace="6s",
                 repeat="8s"):
        self.folder = folder
        self.port = free_port()
        self.base_url = f"http://127.0.0.1:{self.port}"
        self.settings = folder / "shorelamp.toml"
        text = Template((HERE / "settings.toml").read_text()).substitute(
            PORT=self.port, RELAY=relay, ROOT=ROOT, NDBC=ndbc)
        rungs = "\n".join(LADDER if ladder is None else ladder)
        self.settings.write_text(
            f'{text}\n[ladder]\ngrace = "{grace}"\nrepeat = "{repeat}"\n\n{rungs}')
        self.log_file = folder / "daemon.log"
        self.process = None
        self.key = None

    # The process.
    def start(self, healthy=True, env=None, prefix=(), stdout=None, stderr=None):
        """Starts it and waits until it answers; `healthy`: until an alert could go out. What it says
        goes into its log, if not elsewhere."""
        with self.log_file.open("ab") as log:
            self.process = subprocess.Popen(
                [*prefix, BIN, "--config", str(self.settings), "serve"],
                stdin=subprocess.DEVNULL, stdout=stdout or log, stderr=stderr or log,
                cwd=self.folder, env=env)
        end = time.time() + 20
        while time.time() < end:
            if self.process.poll() is not None:
                break
            try:
                status = request("GET", f"{self.base_url}/healthz", timeout=5).status
                if status == 200 or not healthy:
                    return self
            except OSError:
                pass
            time.sleep(0.05)
        raise AssertionError(f"the daemon did not get ready:\n{self.log()}")

    def kill(self):
        """Ends it as a power cut would: no warning, no farewell."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(10)

    def stop(self):
        """Ends it as the system would."""
        if self.process and self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(10)
            except subprocess.TimeoutExpired:
                self.kill()
                raise

    def log(self):
        return self.log_file.read_text(errors="replace") if self.log_file.exists() else ""

    def memory_mb(self):
        """What it keeps in memory."""
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        line = next(line for line in status.splitlines() if line.startswith("VmRSS"))
        return int(line.split()[1]) / 1024

    # The commands.
    def run(self, *words, code=0, key=None, stdin=None, timeout=30):
        """Runs a command and checks its exit code; answers (standard output, standard error)."""
        environment = {k: v for k, v in os.environ.items() if not k.startswith("SHORELAMP_KEY")}
        if key:
            environment["SHORELAMP_KEY"] = key
        done = subprocess.run([BIN, "--config", str(self.settings), *map(str, words)],
                              capture_output=True, text=True, env=environment, cwd=self.folder,
                              input=stdin, timeout=timeout)
        assert done.returncode in (code if isinstance(code, tuple) else (code,)), (
            f"`{' '.join(map(str, words))}` ended with {done.returncode}, not {code}:\n"
            f"{done.stdout}\n{done.stderr}")
        return done.stdout, done.stderr

    def new_key(self, name="Ramp", keeper=False):
        """A key made beside the running daemon."""
        words = ["key", "add", name, "--json"] + (["--keeper"] if keeper else [])
        made = json.loads(self.run(*words)[0])
        assert set(made) >= {"key", "link"} and made["link"].startswith(self.base_url)
        return made["key"]

    # The HTTP API.
    def api(self, method, path, body=None, key=None, **headers):
        names = {name.replace("_", "-"): value for name, value in headers.items()}
        url = path if path.startswith("http") else self.base_url + path
        key = key or self.key
        if key:
            names["Authorization"] = f"Bearer {key}"
        return request(method, url, body, names)

    def post_plan(self, plan, idempotency_key="first", key=None, kind="application/toml"):
        return self.api("POST", "/api/v1/plans", plan, key=key, Content_Type=kind,
                        Idempotency_Key=idempotency_key)

    def file(self, plan, idempotency_key="first"):
        """Files a plan and checks the answer's form."""
        self.key = self.key or self.new_key()
        answer = self.post_plan(plan, idempotency_key)
        for by_s in (8, 16):
            # A busy machine may come too late with a plan whose crew is back in a few seconds.
            if answer.status == 422 and "this return time has passed already" in answer.text:
                answer = self.post_plan(put_off(plan, by_s), idempotency_key)
        assert answer.status == 201, answer
        filed = answer.json
        assert filed["state"] == "armed" and filed["ref"]
        assert set(filed["links"]) >= {"crew", "checkin", "extend", "cancel"}
        assert all(link.startswith(self.base_url) for link in filed["links"].values())
        return filed

    def plan(self, ref):
        """What the service says of a plan."""
        answer = self.api("GET", f"/api/v1/plans/{ref}")
        assert answer.status == 200, answer
        return answer.json

    def handed_over(self, ref):
        """Whether every letter so far is recorded as handed over."""
        letters = self.plan(ref)["letters"]
        return bool(letters) and all(letter["state"] == "handed over" for letter in letters)
