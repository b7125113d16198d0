//! What the keeper is told of as soon as it is seen, in words that say how to mend it.

use std::net::SocketAddr;

use super::Daemon;

/// What to do about somebody else at the service's port.
pub(super) const WHO_HAS_THE_PORT: [&str; 2] = [
    "Look who has that port (`ss -ltnp`), and end it: the service then takes it by itself within \
     seconds.",
    "If it was none of your own programs, whatever was sent to the service meanwhile was sent to it: \
     keys, and plans with all that they say of health; it may have answered that they are FILED. Ask \
     your crews who has filed since, revoke their keys (`shorelamp key revoke`), and let systemd hold \
     the port (`deploy/shorelamp.socket`).",
];

impl Daemon {
    /// Tells the keeper that the pages can't be served under the certificate of the settings.
    pub fn tell_of_certificate(&self, why: &str) {
        self.tell_keeper(
            "certificate",
            &format!(
                "the certificate of the pages can't be used: {why}; alerts go out, but their \
                      links may open nothing"
            ),
            &[
                "Look at `certificate` and `key` under [service.tls]: both must be PEM files that \
                 the service's user can read.",
                "They are looked at again within a minute; nothing has to be started again.",
            ],
        );
    }

    /// Tells the keeper that nobody can open the pages.
    pub fn tell_of_no_pages(&self, why: &str) {
        self.tell_keeper(
            "pages",
            &format!(
                "nobody can open the service's pages, to check in, to answer or to file: {why}; \
                 alerts go out, but their links open nothing, or somebody else's page"
            ),
            &[
                WHO_HAS_THE_PORT[0],
                WHO_HAS_THE_PORT[1],
                "Reach the crews of the open plans yourself, and check them in, once the pages are \
                 there again.",
            ],
        );
    }

    /// Tells the keeper that systemd holds another port than the settings name.
    pub fn tell_of_another_port(&self, held: SocketAddr, wanted: SocketAddr) {
        self.tell_keeper(
            "pages",
            &format!(
                "systemd hands the service its socket at {held}, and the settings have it listen at \
                 {wanted}: it answers at {held} alone, and who asks at {wanted} reaches nobody, or \
                 somebody else's page"
            ),
            &["Write the same address and port as `listen` under [service] and as ListenStream= in \
               shorelamp.socket, then `systemctl daemon-reload` and `systemctl restart \
               shorelamp.socket shorelamp`."],
        );
    }

    /// Tells the keeper that the service may have only so many files open at once.
    pub fn tell_of_few_files(&self, may_open: u64) {
        self.tell_keeper(
            "files",
            &format!(
                "the service may have only {may_open} files open at once, its connections among \
                 them: few people at once can open its pages, and letters that hang may keep \
                 others waiting"
            ),
            &["Raise the limit, such as by LimitNOFILE= in the unit (1024 will do), and start the \
               service again."],
        );
    }

    /// Tells the keeper that letters go unsigned, if they do although the settings name a key.
    pub(super) fn tell_of_unsigned(&self) {
        if let Some(why) = self.0.post.unsigned_because() {
            self.tell_keeper(
                "dkim",
                &format!(
                    "letters go without a signature, alerts too, and readers' servers may take \
                     them for junk: {why}"
                ),
                &[
                    "Look at `key_file` under [mail.dkim]; the service's user must be able to \
                     read it.",
                    "Start the service again: the key is read at the start alone.",
                ],
            );
        }
    }
}
