//! Positions on the earth, spans of time, and the units the rest is counted in.
//!
//! Lengths are metres (`_m`), speeds knots (`_kn`), temperatures degrees Celsius (`_c`), angles
//! degrees (`_deg`); the suffix stands in the name wherever a type does not say it.

mod notation;
mod position;
mod span;
mod units;

pub use notation::PositionError;
pub use position::Position;
pub use span::{Span, SpanError, spoken};
pub use units::{
    METRES_PER_FOOT, METRES_PER_NAUTICAL_MILE, Units, celsius_to_fahrenheit, fahrenheit_to_celsius,
    kn_to_m_per_s, m_per_s_to_kn,
};
