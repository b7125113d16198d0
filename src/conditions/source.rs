//! Who says what is known of the water, the wind and the waves.

use std::fmt;

use serde::{Deserialize, Serialize};

/// Where a reading is from. It is stored, and answered to programs, as its words.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(from = "String", into = "String")]
pub enum Source {
    /// The station of this name.
    Station(String),
    /// The crew, in its plan.
    Crew,
    /// The forecast of the United States' weather service.
    Forecast,
    /// Anything else, in words.
    Other(String),
}

const STATION: &str = "station ";
const CREW: &str = "stated by the crew";
const FORECAST: &str = "forecast of the US weather service";

impl fmt::Display for Source {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Source::Station(id) => write!(out, "{STATION}{id}"),
            Source::Crew => out.write_str(CREW),
            Source::Forecast => out.write_str(FORECAST),
            Source::Other(words) => out.write_str(words),
        }
    }
}

impl From<Source> for String {
    fn from(source: Source) -> String {
        source.to_string()
    }
}

/// For what is stored alone: its words are the stored form.
impl From<String> for Source {
    fn from(words: String) -> Source {
        match (words.as_str(), words.strip_prefix(STATION)) {
            (CREW, _) => Source::Crew,
            (FORECAST, _) => Source::Forecast,
            (_, Some(id)) => Source::Station(id.to_owned()),
            _ => Source::Other(words),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_is_stored_as_its_words() {
        for (source, words) in [
            (Source::Station("46088".to_owned()), "station 46088"),
            (Source::Crew, "stated by the crew"),
            (Source::Forecast, "forecast of the US weather service"),
            (Source::Other("NDBC station 46088".to_owned()), "NDBC station 46088"),
        ] {
            let stored = serde_json::to_value(&source).unwrap();
            assert_eq!(stored, words);
            assert_eq!(serde_json::from_value::<Source>(stored).unwrap(), source);
        }
    }
}
