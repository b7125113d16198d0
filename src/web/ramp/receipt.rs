//! What a device is told of the plan that it filed: enough to show it, and to be sure that it is
//! this very plan.

use serde::Serialize;

use crate::daemon::{Daemon, PlanStatus};
use crate::letter::Clock;
use crate::measure::spoken;
use crate::watch::Recipient;
use crate::web::trip::contacts;
use crate::web::words::{from_now, list};

/// The receipt of a filing.
#[derive(Serialize)]
pub(super) struct Receipt {
    /// The id that the device made.
    id: String,
    /// The SHA-256 of the body as it came, in hexadecimal digits; in a look-up only for who knows it.
    sha256: Option<String>,
    r#ref: String,
    state: &'static str,
    /// By the service's clock.
    received_at: String,
    now: String,
    due_at: String,
    overdue_at: String,
    /// The same for reading, on the clocks of the launch.
    words: Words,
    /// By how much it came after its launch, if it did.
    #[serde(skip_serializing_if = "Option::is_none")]
    late: Option<String>,
    /// Whether a letter has left for anybody ashore, and whether one of them has said so.
    reached: bool,
    confirmed: bool,
    told: Vec<Told>,
    /// The digits of that page that, with the ref, check the crew in by anybody's telephone.
    spoken: String,
    /// The crew's own page.
    #[serde(skip_serializing_if = "Option::is_none")]
    crew: Option<String>,
}

#[derive(Serialize)]
struct Words {
    received: String,
    due: String,
    due_in: String,
    overdue: String,
    checked: String,
    out: String,
}

#[derive(Serialize)]
struct Told {
    name: String,
    fate: String,
}

impl Receipt {
    pub(super) fn of(
        daemon: &Daemon,
        id: &str,
        sha256: Option<String>,
        status: &PlanStatus,
    ) -> Self {
        let (now, clock) = (daemon.now(), Clock::new(status.plan.times.zone));
        let (due_at, overdue_at) = (status.state.terms.due_at, status.state.overdue_at());
        let told = contacts(status, None).into_iter().map(|(name, fate)| Told { name, fate });
        let crew = status.state.on_trip().first().copied().unwrap_or(0);
        let people = status.contacts();
        Receipt {
            id: id.to_owned(),
            sha256,
            r#ref: status.plan_ref.clone(),
            state: status.word(),
            received_at: status.plan.times.local(status.filed_at),
            now: status.plan.times.local(now),
            due_at: status.plan.times.local(due_at),
            overdue_at: status.plan.times.local(overdue_at),
            words: Words {
                received: clock.time(status.filed_at),
                due: clock.full(due_at),
                due_in: from_now(due_at, now),
                overdue: clock.full(overdue_at),
                checked: clock.time(now),
                out: list(&status.out()),
            },
            late: status.plan.times.late_by(status.filed_at).map(spoken),
            reached: status.reached_anybody(),
            confirmed: people.iter().any(|one| one.confirmed && !one.removed),
            told: told.collect(),
            spoken: daemon.spoken_code(&status.plan_ref, crew),
            crew: daemon.page_of(&status.plan_ref, Recipient::Crew(crew)),
        }
    }
}
