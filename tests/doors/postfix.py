"""A real Postfix in a folder of its own: unpacked, not installed, on a port of loopback.

Its master runs as root and its parts as users that every Debian has; nothing of the machine's own
mail is touched. All mail for example.org goes into one Maildir.
"""

import os
import pwd
import shutil
import subprocess
import time
from pathlib import Path

HERE = Path(__file__).parent
# tests/run unpacks the package there, with the libraries that it needs.
ROOT = Path(os.environ.get("SHORELAMP_POSTFIX", HERE.parents[1] / "target/smtp-sink/root"))
OWNER, POSTDROP = "mail", "news"  # any two that are neither root nor each other's
QUEUES = ["active", "bounce", "corrupt", "defer", "deferred", "flush", "hold", "incoming", "private",
          "saved", "trace", "public", "maildrop"]

MAIN = """\
compatibility_level = 3.7
daemon_directory = {root}/usr/lib/postfix/sbin
command_directory = {root}/usr/sbin
shlib_directory = {root}/usr/lib/postfix
meta_directory = {root}/etc/postfix
queue_directory = {folder}/queue
data_directory = {folder}/data
mail_owner = {owner}
setgid_group = {postdrop}
default_privs = nobody
inet_interfaces = 127.0.0.1
inet_protocols = ipv4
myhostname = post.example.org
mydestination =
mynetworks = 127.0.0.0/8
virtual_mailbox_domains = example.org
virtual_mailbox_base = {folder}/mail
virtual_mailbox_maps = static:all/
virtual_uid_maps = static:{uid}
virtual_gid_maps = static:{gid}
virtual_minimum_uid = 1
smtpd_tls_security_level = encrypt
smtpd_tls_chain_files = {chain}
smtp_tls_security_level = none
maillog_file = {folder}/data/maillog
maillog_file_prefixes = /tmp, {folder}
import_environment = MAIL_CONFIG TZ LD_LIBRARY_PATH
alias_maps =
alias_database =
{more}
"""


class Postfix:
    def __init__(self, folder, port, chain, more=""):
        self.folder, self.port, self.process = folder, port, None
        # Its parts run as other users: each folder above must let them through.
        for above in [folder, *folder.parents]:
            if above.stat().st_uid == os.getuid() and above != Path("/"):
                above.chmod(above.stat().st_mode | 0o011)
        user = pwd.getpwnam(OWNER)
        for name in ["conf", "queue", "queue/pid", "data", "mail"] + [f"queue/{name}" for name in QUEUES]:
            (folder / name).mkdir(mode=0o755)
        for name in ["data", "mail"] + [f"queue/{name}" for name in QUEUES]:
            shutil.chown(folder / name, OWNER, POSTDROP if name.endswith(("public", "drop")) else None)
        (folder / "queue/maildrop").chmod(0o730)
        (folder / "queue/public").chmod(0o710)
        (folder / "conf/main.cf").write_text(MAIN.format(
            root=ROOT, folder=folder, owner=OWNER, postdrop=POSTDROP, uid=user.pw_uid,
            gid=user.pw_gid, chain=chain, more=more))
        master = (ROOT / "usr/share/postfix/master.cf.dist").read_text().splitlines()
        kept = [line for line in master if not line.startswith(("#", "smtp  ", " ", "\t"))]
        parts = [line.split() for line in kept if line.strip() and " pipe" not in line]
        lines = [" ".join(part[:4] + ["n"] + part[5:]) for part in parts if part[0] != "smtp"]
        lines += [f"127.0.0.1:{port} inet n - n - - smtpd", "smtp unix - - n - - smtp"]
        (folder / "conf/master.cf").write_text("\n".join(lines) + "\n")

    def environment(self):
        folders = sorted({str(at.parent) for at in ROOT.rglob("*.so*")})
        return os.environ | {"LD_LIBRARY_PATH": ":".join(folders),
                             "MAIL_CONFIG": str(self.folder / "conf")}

    def start(self):
        master = ROOT / "usr/lib/postfix/sbin/master"
        said = (self.folder / "said").open("ab")
        self.process = subprocess.Popen([master, "-c", self.folder / "conf", "-d"],
                                        env=self.environment(), stdin=subprocess.DEVNULL,
                                        stdout=said, stderr=said, start_new_session=True)
        end = time.time() + 20
        while "daemon started" not in self.log():
            assert time.time() < end and self.process.poll() is None, self.log()
            time.sleep(0.1)
        return self

    def stop(self):
        if self.process and self.process.poll() is None:
            self.process.terminate()
            self.process.wait(20)

    def log(self):
        logs = [self.folder / name for name in ("said", "data/maillog")]
        return "".join(log.read_text(errors="replace") for log in logs if log.exists())

    def letters(self):
        """What has arrived, as bytes."""
        new = self.folder / "mail/all/new"
        return [path.read_bytes() for path in sorted(new.iterdir())] if new.is_dir() else []
