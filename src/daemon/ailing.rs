//! Looks at what ails the service, and has the keeper told.

use std::time::Duration;

use tokio_util::sync::CancellationToken;

use super::Daemon;
use super::keeper::Trouble;

const BETWEEN_LOOKS: Duration = Duration::from_secs(2);
/// A relay that fails for so long is told of.
const RELAY_FAILS_FOR: Duration = Duration::from_secs(120);

/// Looks every two seconds, until `stop`.
pub(super) async fn watch_health(daemon: Daemon, stop: CancellationToken) {
    while !stop.is_cancelled() {
        daemon.0.post.look_again().await;
        daemon.see_troubles(troubles(&daemon));
        tokio::select! {
            () = stop.cancelled() => break,
            () = tokio::time::sleep(BETWEEN_LOOKS) => {}
        }
    }
}

fn troubles(daemon: &Daemon) -> Vec<Trouble> {
    let failing = daemon.0.post.health().into_iter().filter_map(|relay| {
        let said = relay.trouble.filter(|_| relay.failing_for >= Some(RELAY_FAILS_FOR))?;
        Some(Trouble {
            topic: format!("relay-{}", relay.name),
            what: format!("the mail relay {} takes no letter", relay.name),
            mend: vec![format!("Look at this relay. Its last word: {said}")],
        })
    });
    let ill = daemon.lasting_illnesses().into_iter().map(|illness| Trouble {
        topic: illness.what.to_owned(),
        what: illness.what.to_owned(),
        mend: vec![illness.mend.to_owned()],
    });
    failing.chain(ill).collect()
}
