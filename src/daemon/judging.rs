//! Asks for the facts of a plan, each with a short deadline, and judges it by them.

use chrono::{DateTime, Utc};

use crate::caution::Limits;
use crate::conditions::{Table, Trust, choose, expected};
use crate::fetch::{Asker, Questions};
use crate::measure::Span;
use crate::plan::Plan;
use crate::review::{Review, review};
use crate::shoreline::Shorelines;

/// What plans are judged by.
pub struct Judge {
    /// The shore.
    pub shores: Shorelines,
    /// Whom the day's conditions are asked of.
    pub questions: Questions,
    /// The keeper's tables of what the water is like.
    pub tables: Vec<Table>,
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
        let route = plan.route();
        let heard = self.asker.hear(&self.questions, &route).await;
        let now = now();
        let launch = plan.launch.position;
        let day = plan.times.launch.at.with_timezone(&plan.times.zone).date_naive();
        let water = choose(&heard.answers, plan.stated.as_ref(), &route, self.trust, now)
            .expecting(expected(&self.tables, launch, day))
            .hearing(heard.silent, heard.warnings)
            .foreseeing(heard.forecast);
        review(plan, &self.shores, &water, &self.limits, self.grace, now)
    }
}
