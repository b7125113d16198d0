//! What a letter is written from.

use chrono::{DateTime, TimeDelta, Utc};

use super::rescue::Rescue;
use crate::plan::Plan;
use crate::review::Review;
use crate::watch::{Past, Watched};

/// Everything that is known when a letter is written.
#[derive(Clone, Copy, Debug)]
pub struct Facts<'a> {
    /// What the service is called.
    pub service_name: &'a str,
    /// The plan's ref.
    pub plan_ref: &'a str,
    /// When it was filed.
    pub filed_at: DateTime<Utc>,
    /// The newest version of the plan, with those whom an amendment took out in their places;
    /// for them, and for a return time that was moved since, `watched` rules.
    pub plan: &'a Plan,
    /// Where it stands.
    pub watched: &'a Watched,
    /// What happened to it, oldest first.
    pub history: &'a [Past],
    /// What was judged of it when it was filed, or last amended; `None` where that is lost.
    pub review: Option<&'a Review>,
    /// The same plan judged anew, to tell what the water and the wind are now; `None` where nobody
    /// could be asked since.
    pub latest: Option<&'a Review>,
    /// Whom an alert may name, in the order of the settings.
    pub rescue: &'a [Rescue],
    /// The link to this reader's own page.
    pub page: Option<&'a str>,
    /// The link to the page for a rescue service, once the crew is overdue.
    pub rescue_page: Option<&'a str>,
    /// Whether the chart of the route goes with it.
    pub has_chart: bool,
    /// When this letter was ordered.
    pub queued_at: DateTime<Utc>,
    /// Whether it is written from memory, while the database can't be used: then neither what
    /// happened nor what was judged is at hand, and its page may take no answer.
    pub from_memory: bool,
    /// By how much the service's two clocks disagree, while nobody vouches for either and the one
    /// that is ahead rules.
    pub clocks_apart: Option<TimeDelta>,
}

impl Facts<'_> {
    /// The places of the crew who are on the trip; all of them where nobody is said to be.
    pub(super) fn on_trip(&self) -> Vec<usize> {
        let all = 0..self.plan.crew.len();
        let on_trip: Vec<usize> =
            self.watched.on_trip().into_iter().filter(|at| all.contains(at)).collect();
        if on_trip.is_empty() { all.collect() } else { on_trip }
    }

    /// The names of those whom an amendment took off the trip.
    pub(super) fn taken_off(&self) -> Vec<String> {
        let on_trip = self.on_trip();
        let crew = self.plan.crew.iter().enumerate();
        crew.filter(|(at, _)| !on_trip.contains(at)).map(|(_, one)| one.name.clone()).collect()
    }

    /// The event of this number.
    pub(super) fn past(&self, number: u32) -> Option<&Past> {
        self.history.iter().find(|past| past.number == number)
    }
}
