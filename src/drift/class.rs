//! The published classes that paddle craft may count as.

use crate::measure::kn_to_m_per_s;

/// Below this the class's figures are not used, in metres a second: the kayak's offset alone would
/// carry it 0.2 knots in a calm. Our own choice; the trials were made in more wind.
pub const LEAST_WIND_M_PER_S: f64 = 3.0;

/// A class of drifting things.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Class {
    /// A sea kayak with a person on its aft deck.
    SeaKayak,
    /// A surf board with a person on it: the nearest published class to a stand-up paddleboard.
    SurfBoard,
}

/// Leeway on a straight line through the trials: a share of the wind and an offset.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Line {
    /// Per cent of the wind at ten metres.
    pub(super) slope_pct: f64,
    /// Centimetres a second.
    pub(super) offset_cm_per_s: f64,
    /// The standard deviation of the trials, in centimetres a second.
    pub(super) sd_cm_per_s: f64,
}

/// What the wind does to a class.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Leeway {
    pub(super) downwind: Line,
    /// Across, to the right of downwind.
    pub(super) right: Line,
    /// Across, to the left of downwind: negative.
    pub(super) left: Line,
}

impl Line {
    /// Metres a second in such a wind.
    pub(super) fn m_per_s(self, wind_m_per_s: f64) -> f64 {
        0.01 * (self.slope_pct * wind_m_per_s + self.offset_cm_per_s)
    }

    /// One standard deviation, in metres a second: `leeway.py` spreads half of it over the offset
    /// and a twentieth of it over the slope, so that it is whole at 10 m/s.
    pub(super) fn spread_m_per_s(self, wind_m_per_s: f64) -> f64 {
        0.01 * self.sd_cm_per_s * (wind_m_per_s / 20.0 + 0.5)
    }
}

const fn line(slope_pct: f64, offset_cm_per_s: f64, sd_cm_per_s: f64) -> Line {
    Line { slope_pct, offset_cm_per_s, sd_cm_per_s }
}

impl Class {
    pub(super) fn leeway(self) -> Leeway {
        match self {
            Class::SeaKayak => Leeway {
                downwind: line(1.16, 11.12, 4.12),
                right: line(0.41, 0.0, 4.39),
                left: line(-0.41, 0.0, 4.39),
            },
            Class::SurfBoard => Leeway {
                downwind: line(1.93, 0.0, 8.30),
                right: line(0.51, 0.0, 6.70),
                left: line(-0.51, 0.0, 6.70),
            },
        }
    }

    /// What it is called in the published table.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Class::SeaKayak => "sea kayak with a person on the aft deck",
            Class::SurfBoard => "surf board with a person on it (the nearest published class)",
        }
    }

    /// How fast it drifts straight downwind, in metres a second.
    #[must_use]
    pub fn downwind_m_per_s(self, wind_kn: f64) -> f64 {
        self.leeway().downwind.m_per_s(kn_to_m_per_s(wind_kn))
    }
}

/// The class of a craft, from how its crew calls it; `None` where nothing is published for it: open
/// canoes, sit-on-tops, boats.
#[must_use]
pub fn class_of(kind: &str) -> Option<Class> {
    let lower = kind.to_lowercase();
    let words: Vec<&str> =
        lower.split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty()).collect();
    let has = |word: &str| words.contains(&word);
    let follow = |first: &str, then: &str| words.windows(2).any(|two| two == [first, then]);
    if follow("on", "top") || has("sot") || has("canoe") {
        return None;
    }
    let kayak = has("kayak") || has("kayaks");
    if has("seakayak") || (kayak && (has("sea") || has("touring"))) {
        return Some(Class::SeaKayak);
    }
    let board = has("paddleboard") || has("sup") || follow("paddle", "board");
    board.then_some(Class::SurfBoard)
}
