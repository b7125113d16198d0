//! Asks for the facts of a plan, each with a short deadline, and judges it by them.

use chrono::{DateTime, Utc};

use crate::caution::Limits;
use crate::conditions::{Station, Trust, choose};
use crate::fetch::Asker;
use crate::measure::Span;
use crate::plan::Plan;
use crate::review::{Review, review};
use crate::shoreline::Shorelines;

/// What plans are judged by.
pub struct Judge {
    /// The shore.
    pub shores: Shorelines,
    /// Whom the water's temperature is asked of.
    pub stations: Vec<Station>,
    /// How they are asked.
    pub asker: Asker,
    /// How old and how far a reading may be.
    pub trust: Trust,
    /// The limits of the cautions.
    pub limits: Limits,
    /// The ladder's grace, where a plan has none of its own.
    pub grace: Span,
}

impl Judge {
    /// Judges a plan. A service that does not answer is a fact, not an error.
    pub async fn review(&self, plan: &Plan, now: impl Fn() -> DateTime<Utc>) -> Review {
        let answers = self.asker.ask(&self.stations).await;
        let now = now();
        let water = choose(&answers, plan.stated.as_ref(), &plan.route(), self.trust, now);
        review(plan, &self.shores, &water, &self.limits, self.grace, now)
    }
}
