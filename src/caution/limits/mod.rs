//! The limits at which cautions are raised, and their file.

mod read;
mod weather;

pub use weather::{HelpLimits, UpwellingLimits, WaveLimits, WindLimits};

use serde::Deserialize;
use thiserror::Error;

use crate::measure::Units;

use read::{knots, metres, percent, temperature};

/// Every limit; the default is `config/cautions.toml`, where each number has its source.
#[derive(Clone, Copy, Debug, Default, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Limits {
    /// When water counts as cold.
    pub cold_water: ColdWater,
    /// When it asks for a suit.
    pub immersion_wear: ImmersionWear,
    /// How far one can swim in it.
    pub distance: Distance,
    /// How fast crews are.
    pub pace: Pace,
    /// When beginners go out.
    pub beginner: Beginner,
    /// When an ageing reading is doubted.
    pub upwelling: UpwellingLimits,
    /// When wind is much.
    pub wind: WindLimits,
    /// When waves are high.
    pub waves: WaveLimits,
    /// How long help takes.
    pub help: HelpLimits,
    /// The units of the words; the keeper's settings say which, not this file.
    #[serde(skip)]
    pub units: Units,
}

/// When water counts as cold: at or below these, in degrees Celsius.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct ColdWater {
    /// Cold enough for the gasp.
    #[serde(deserialize_with = "temperature")]
    pub caution_c: f64,
    /// Cold.
    #[serde(deserialize_with = "temperature")]
    pub warning_c: f64,
    /// As bad as it gets; unknown water counts as this cold.
    #[serde(deserialize_with = "temperature")]
    pub danger_c: f64,
}

/// When water asks for a suit: at or below these, in degrees Celsius.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct ImmersionWear {
    /// For any.
    #[serde(deserialize_with = "temperature")]
    pub recommended_c: f64,
    /// For more than a wetsuit.
    #[serde(deserialize_with = "temperature")]
    pub drysuit_c: f64,
}

/// How far from shore is too far to swim back.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Distance {
    /// What a novice swims, in metres.
    #[serde(deserialize_with = "metres")]
    pub novice_swim_m: f64,
    /// What nobody has been seen to swim more than, in metres.
    #[serde(deserialize_with = "metres")]
    pub longest_swim_m: f64,
    /// The coldest water in which that was measured, in degrees Celsius.
    #[serde(deserialize_with = "temperature")]
    pub published_from_c: f64,
    /// The warmest, in degrees Celsius.
    #[serde(deserialize_with = "temperature")]
    pub published_to_c: f64,
    /// So much of the route may lie on land, in metres.
    #[serde(deserialize_with = "metres")]
    pub over_land_m: f64,
}

/// How fast crews are, and how much time they should have to spare.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Pace {
    /// Spare time in per cent of the time needed.
    #[serde(deserialize_with = "percent")]
    pub margin_percent: f64,
    /// A slow crew's speed, in knots.
    #[serde(deserialize_with = "knots")]
    pub slow_kn: f64,
    /// The fastest a group is believed to be, in knots.
    #[serde(deserialize_with = "knots")]
    pub group_kn: f64,
    /// The fastest somebody alone is believed to be, in knots.
    #[serde(deserialize_with = "knots")]
    pub solo_kn: f64,
}

/// When beginners go out: above these, in degrees Celsius.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Beginner {
    /// The water, at least.
    #[serde(deserialize_with = "temperature")]
    pub water_c: f64,
    /// The water, better.
    #[serde(deserialize_with = "temperature")]
    pub better_water_c: f64,
    /// The air.
    #[serde(deserialize_with = "temperature")]
    pub air_c: f64,
}

/// Why a file of limits is refused.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum LimitsError {
    /// It can't be read; the text shows line and caret.
    #[error("{0}")]
    Toml(#[from] toml::de::Error),
    /// Two limits contradict each other.
    #[error("{place}{lower} must not be greater than {upper}")]
    Order {
        /// The one that should be the lower.
        lower: &'static str,
        /// The one that should be the higher.
        upper: &'static str,
        /// Its line with a caret, if the file has one of the two.
        place: String,
    },
}

impl Limits {
    /// Reads a file of limits; what it leaves out stays as built in.
    ///
    /// # Errors
    /// A text that is not TOML, an unknown name, a number out of its range, or two limits in the
    /// wrong order.
    pub fn read(text: &str) -> Result<Self, LimitsError> {
        let limits: Limits = toml::from_str(text)?;
        match limits.out_of_order() {
            Some((lower, upper)) => {
                Err(LimitsError::Order { lower, upper, place: place(text, lower, upper) })
            }
            None => Ok(limits),
        }
    }

    /// The first two limits that contradict each other.
    fn out_of_order(&self) -> Option<(&'static str, &'static str)> {
        let Limits { cold_water, immersion_wear, distance, pace, beginner, wind, waves, .. } = self;
        let pairs = [
            ("cold_water.danger_c", cold_water.danger_c, "warning_c", cold_water.warning_c),
            ("cold_water.warning_c", cold_water.warning_c, "caution_c", cold_water.caution_c),
            (
                "immersion_wear.drysuit_c",
                immersion_wear.drysuit_c,
                "recommended_c",
                immersion_wear.recommended_c,
            ),
            (
                "distance.novice_swim_m",
                distance.novice_swim_m,
                "longest_swim_m",
                distance.longest_swim_m,
            ),
            (
                "distance.published_from_c",
                distance.published_from_c,
                "published_to_c",
                distance.published_to_c,
            ),
            ("pace.slow_kn", pace.slow_kn, "group_kn", pace.group_kn),
            ("pace.slow_kn", pace.slow_kn, "solo_kn", pace.solo_kn),
            ("wind.caution_kn", wind.caution_kn, "warning_kn", wind.warning_kn),
            ("wind.warning_kn", wind.warning_kn, "danger_kn", wind.danger_kn),
            (
                "wind.offshore_caution_kn",
                wind.offshore_caution_kn,
                "offshore_warning_kn",
                wind.offshore_warning_kn,
            ),
            (
                "wind.offshore_warning_kn",
                wind.offshore_warning_kn,
                "offshore_danger_kn",
                wind.offshore_danger_kn,
            ),
            ("wind.head_caution_kn", wind.head_caution_kn, "head_warning_kn", wind.head_warning_kn),
            ("wind.head_warning_kn", wind.head_warning_kn, "head_danger_kn", wind.head_danger_kn),
            ("waves.caution_m", waves.caution_m, "warning_m", waves.warning_m),
            ("waves.warning_m", waves.warning_m, "danger_m", waves.danger_m),
            ("beginner.water_c", beginner.water_c, "better_water_c", beginner.better_water_c),
        ];
        let wrong = pairs.into_iter().find(|(_, low, _, high)| low > high)?;
        Some((wrong.0, wrong.2))
    }
}

/// The line of the file that has the lower limit of two, else the higher, with a caret under it.
fn place(text: &str, lower: &str, upper: &str) -> String {
    let (section, lower) = lower.split_once('.').unwrap_or(("", lower));
    let header = format!("[{section}]");
    let within = text.lines().enumerate().skip_while(|(_, line)| line.trim() != header).skip(1);
    let own: Vec<_> = within.take_while(|(_, line)| !line.trim_start().starts_with('[')).collect();
    let of_key = |key: &str| {
        own.iter().find(|(_, line)| line.split('=').next().is_some_and(|name| name.trim() == key))
    };
    let Some((at, line)) = of_key(lower).or_else(|| of_key(upper)) else { return String::new() };
    let number = (at + 1).to_string();
    let margin = " ".repeat(number.len());
    let caret = "^".repeat(line.split('=').next().map_or(1, |name| name.trim().chars().count()));
    let indent = " ".repeat(line.chars().take_while(|c| c.is_whitespace()).count());
    format!("line {number}:\n{margin} |\n{number} | {line}\n{margin} | {indent}{caret}\n")
}

impl Default for ColdWater {
    fn default() -> Self {
        ColdWater { caution_c: 25.0, warning_c: 15.6, danger_c: 10.0 }
    }
}

impl Default for ImmersionWear {
    fn default() -> Self {
        ImmersionWear { recommended_c: 21.1, drysuit_c: 15.0 }
    }
}

impl Default for Distance {
    fn default() -> Self {
        Distance {
            novice_swim_m: 600.0,
            longest_swim_m: 1500.0,
            published_from_c: 10.0,
            published_to_c: 14.0,
            over_land_m: 200.0,
        }
    }
}

impl Default for Pace {
    fn default() -> Self {
        Pace { margin_percent: 25.0, slow_kn: 2.0, group_kn: 4.0, solo_kn: 5.0 }
    }
}

impl Default for Beginner {
    fn default() -> Self {
        Beginner { water_c: 18.3, better_water_c: 20.0, air_c: 18.0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_file_says_what_is_built_in() {
        let file = include_str!("../../../config/cautions.toml");
        assert_eq!(Limits::read(file).unwrap(), Limits::default());
        for name in [
            "cold_water",
            "immersion_wear",
            "distance",
            "pace",
            "beginner",
            "upwelling",
            "wind",
            "waves",
            "help",
        ] {
            assert!(file.contains(&format!("[{name}]")), "{name}");
        }
        let numbers = file.lines().filter(|line| line.contains(" = ")).count();
        assert_eq!(numbers, 38, "a limit is missing from the file");
    }

    #[test]
    fn what_is_left_out_stays() {
        let limits = Limits::read("[cold_water]\nwarning_c = 17").unwrap();
        assert_eq!(limits.cold_water, ColdWater { warning_c: 17.0, ..ColdWater::default() });
        assert_eq!(limits.pace, Pace::default());
    }

    #[test]
    fn a_fault_is_shown_with_its_line() {
        for (text, word) in [
            ("[cold_water]\nwarning_c = nan", "must be a number from -2 to 40 degrees Celsius"),
            ("[cold_water]\nwarning_c = inf", "must be a number"),
            ("[cold_water]\nwarning_c = \"cold\"", "expected f64"),
            ("[cold_water]\nwarming_c = 15", "unknown field `warming_c`"),
            ("[cold]\nwarning_c = 15", "unknown field `cold`"),
            ("[cold_water\n", "unclosed table"),
        ] {
            let told = Limits::read(text).unwrap_err().to_string();
            assert!(told.contains(word), "{told}");
            assert!(told.contains("line ") && told.contains('^'), "{told}");
        }
        let told = Limits::read("[pace]\n[cold_water]\nwarning_c = 9").unwrap_err().to_string();
        let shown = "line 3:\n  |\n3 | warning_c = 9\n  | ^^^^^^^^^\n";
        assert_eq!(told, format!("{shown}cold_water.danger_c must not be greater than warning_c"));
    }
}
