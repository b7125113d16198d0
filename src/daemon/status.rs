//! Where plans stand, for the filing device, the pages and the board.

use chrono::{DateTime, TimeDelta, Utc};

use super::Daemon;
use crate::plan::Plan;
use crate::store::{LetterFate, OpenPlans, PlanRecord, StoreError};
use crate::watch::{Kind, Phase, Recipient, Watched};

/// Where a plan stands.
#[derive(Clone, Debug)]
pub struct PlanStatus {
    /// Its ref.
    pub plan_ref: String,
    /// The newest version of the plan, with everybody in their place for life.
    pub plan: Plan,
    /// Its state.
    pub state: Watched,
    /// When it was filed.
    pub filed_at: DateTime<Utc>,
    /// The key that filed it.
    pub key_id: String,
    /// What became of its letters, in the order in which they were ordered.
    pub letters: Vec<LetterFate>,
}

/// What one reader has got so far.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PersonStatus {
    /// Their name.
    pub name: String,
    /// Whether they have said that they have a letter.
    pub confirmed: bool,
    /// Whether their address is refused.
    pub refused: bool,
    /// Whether any letter to them was handed over.
    pub reached: bool,
    /// Whether an amendment has taken them out: they are asked no longer.
    pub removed: bool,
}

impl PersonStatus {
    /// `refused`, `confirmed`, `handed over` or `queued`: what is worst known, then what is best.
    #[must_use]
    pub fn word(&self) -> &'static str {
        match self {
            PersonStatus { refused: true, .. } => "refused",
            PersonStatus { confirmed: true, .. } => "confirmed",
            PersonStatus { reached: true, .. } => "handed over",
            _ => "queued",
        }
    }
}

/// What is said of an open plan of which no letter has left for anybody ashore.
pub const NOBODY_REACHED: &str = "ARMED, BUT NOBODY HAS BEEN REACHED YET: no letter has left for \
                                  any of the contacts. Until one has, tell somebody ashore \
                                  yourself when to worry";

impl PlanStatus {
    /// `armed`, `overdue` or `closed`.
    #[must_use]
    pub fn word(&self) -> &'static str {
        phase_word(&self.state)
    }

    /// The names of those of the crew who are ashore, or for whom it is over.
    #[must_use]
    pub fn ashore(&self) -> Vec<&str> {
        let out = self.state.out();
        let crew = self.plan.crew.iter().enumerate();
        crew.filter(|(at, _)| !out.contains(at) && self.state.is_on_trip(*at))
            .map(|(_, one)| one.name.as_str())
            .collect()
    }

    /// The names of those whom an amendment has taken off the trip.
    #[must_use]
    pub fn removed(&self) -> Vec<&str> {
        let crew = self.plan.crew.iter().enumerate();
        crew.filter(|(at, _)| !self.state.is_on_trip(*at))
            .map(|(_, one)| one.name.as_str())
            .collect()
    }

    /// Whether a letter has left for anybody ashore who is asked, or one has said that they have it.
    #[must_use]
    pub fn reached_anybody(&self) -> bool {
        let contacts = self.contacts();
        contacts.iter().any(|one| !one.removed && (one.reached || one.confirmed))
    }

    /// The names of those of the crew who are out.
    #[must_use]
    pub fn out(&self) -> Vec<&str> {
        let out = self.state.out();
        out.iter().filter_map(|at| self.plan.crew.get(*at)).map(|one| one.name.as_str()).collect()
    }

    /// The name of a reader.
    #[must_use]
    pub fn reader_name(&self, reader: Recipient) -> &str {
        match reader {
            Recipient::Crew(at) => self.plan.crew.get(at).map_or("", |one| one.name.as_str()),
            Recipient::Contact(at) => {
                self.plan.contacts.get(at).map_or("", |one| one.name.as_str())
            }
            Recipient::Keeper => "the keeper",
        }
    }

    /// What each contact has got so far.
    #[must_use]
    pub fn contacts(&self) -> Vec<PersonStatus> {
        let contacts = self.plan.contacts.iter().zip(&self.state.contacts).enumerate();
        contacts
            .map(|(at, (contact, state))| PersonStatus {
                name: contact.name.clone(),
                confirmed: state.confirmed_at.is_some(),
                refused: state.told.refused,
                removed: state.removed_by.is_some(),
                reached: self.letters.iter().any(|letter| {
                    letter.to == Recipient::Contact(at)
                        && !matches!(letter.kind, Kind::Confirm | Kind::Drill)
                        && letter.state == crate::store::LetterState::Handed
                }),
            })
            .collect()
    }
}

/// `armed`, `overdue` or `closed`.
#[must_use]
pub fn phase_word(state: &Watched) -> &'static str {
    match state.phase {
        Phase::Armed => "armed",
        Phase::Overdue => "overdue",
        Phase::Closed(_) => "closed",
    }
}

impl Daemon {
    /// Where a plan stands.
    ///
    /// # Errors
    /// [`StoreError::NoSuchPlan`], damage, or the database.
    pub async fn status(&self, plan_ref: &str) -> Result<PlanStatus, StoreError> {
        self.status_of(&self.store().plan(plan_ref).await?).await
    }

    pub(super) async fn status_of(&self, record: &PlanRecord) -> Result<PlanStatus, StoreError> {
        Ok(PlanStatus {
            plan_ref: record.plan_ref.clone(),
            plan: self.plan_of(record)?,
            state: record.state.clone(),
            filed_at: record.filed_at,
            key_id: record.key_id.clone(),
            letters: self.letters_at_hand(&record.plan_ref).await,
        })
    }

    /// What became of a plan's letters; none where that can't be read, which is logged. Then a page
    /// says of nobody that a letter left for them, and a check-in is taken all the same.
    async fn letters_at_hand(&self, plan_ref: &str) -> Vec<LetterFate> {
        self.store().letters(plan_ref).await.unwrap_or_else(|error| {
            tracing::error!(plan = plan_ref, %error, "what became of the letters can't be read");
            Vec::new()
        })
    }

    /// The open plans, most urgent first: the overdue by how long, then the armed by how soon.
    /// One that can't be read stands among them as an error.
    ///
    /// # Errors
    /// The database.
    pub async fn board(&self) -> Result<Vec<Result<PlanStatus, StoreError>>, StoreError> {
        let mut board = Vec::new();
        for record in self.open_trips().await? {
            board.push(match record {
                Ok(record) => self.status_of(&record).await,
                Err(error) => Err(error),
            });
        }
        // What can't be read comes first: it may be the most urgent of all.
        board.sort_by_key(|row| row.as_ref().ok().map(|status| status.state.overdue_at()));
        Ok(board)
    }

    /// The open plans that are, or will be, overdue first, and how many there are in all. One that
    /// can't be read stands among them as an error.
    ///
    /// # Errors
    /// The database.
    pub async fn most_urgent(
        &self,
        most: u32,
    ) -> Result<(Vec<(String, Result<PlanStatus, StoreError>)>, OpenPlans), StoreError> {
        let store = self.store();
        let all = store.count_open(self.now(), super::canary::KEY).await?;
        let mut plans = Vec::new();
        for plan_ref in store.most_urgent(most, super::canary::KEY).await? {
            let status = self.status(&plan_ref).await;
            plans.push((plan_ref, status));
        }
        Ok((plans, all))
    }

    /// The refs of all that are overdue, the longest first, and since when; of as many as there are.
    ///
    /// # Errors
    /// The database.
    pub async fn overdue(&self) -> Result<Vec<(String, DateTime<Utc>)>, StoreError> {
        self.store().overdue(self.now(), super::canary::KEY).await
    }

    /// Everything that would keep an alert from going out now.
    #[must_use]
    pub fn illnesses(&self) -> Vec<super::Illness> {
        self.0.health.illnesses(self.now(), self.0.clock.dispute(), &self.relay_health())
    }

    /// For how long the oldest alert that is due has waited to be handed over; no time where none
    /// waits.
    #[must_use]
    pub fn oldest_unsent_alert(&self) -> TimeDelta {
        self.0.health.oldest_unsent_alert(self.now())
    }

    /// The same, but for relays, which may fail for a moment.
    pub(super) fn lasting_illnesses(&self) -> Vec<super::Illness> {
        let mut illnesses = self.illnesses();
        illnesses.retain(|illness| illness.what != super::health::NO_RELAY);
        illnesses
    }

    /// Whether the watch, the post and the database have each worked since the start.
    #[must_use]
    pub fn is_ready(&self) -> bool {
        self.0.health.is_ready()
    }

    /// How the heartbeat and the test alert fare, in words that anybody may read; only those that
    /// the settings ask for, and that have been tried.
    #[must_use]
    pub fn outside_words(&self) -> Vec<(&'static str, String)> {
        let outside = self.0.health.outside();
        let at = |at: &DateTime<Utc>| format!("last arrived at {}", at.format("%H:%M:%S UTC"));
        let heartbeat = outside.heartbeat.as_ref().map(|came| match came {
            Ok(then) => at(then),
            Err(why) => format!("does not arrive: {why}"),
        });
        let canary = outside.canary.as_ref().map(|came| match came {
            Ok(then) => at(then),
            Err(why) => format!("does not come through: {why}"),
        });
        let both = [("heartbeat", heartbeat), ("canary", canary)];
        both.into_iter().filter_map(|(name, words)| Some((name, words?))).collect()
    }

    /// By how much the machine's two clocks disagree, while nobody vouches for either.
    pub(super) fn clocks_apart(&self) -> Option<TimeDelta> {
        let dispute = self.0.clock.dispute().filter(|dispute| dispute.unresolved);
        dispute.map(|dispute| dispute.wall_ahead.abs())
    }

    /// How each mail relay is doing, in the order of the settings.
    #[must_use]
    pub fn relay_health(&self) -> Vec<crate::post::RelayHealth> {
        self.0.post.health()
    }
}
