//! What we warn of before a trip.
//!
//! Cautions inform: they never refuse a plan, and no caution is no clearance. Each rule is a file:
//! facts and limits in, cautions out, its sources in its head. A new rule is made by copying one
//! and naming it in [`RULES`].

mod limits;

pub use limits::{Beginner, ColdWater, Distance, ImmersionWear, Limits, LimitsError, Pace};
