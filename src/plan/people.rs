//! The people of a plan: the crew afloat and the contacts ashore.

use std::fmt;

use serde::Serialize;

/// One of the crew.
#[derive(Clone, PartialEq, Serialize)]
pub struct CrewMember {
    /// The name by which they check in; different from every other of the crew.
    pub name: String,
    /// The telephone they carry.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub phone: Option<String>,
    /// Where their own letters go.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub email: Option<String>,
    /// Age in years.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub age: Option<u32>,
    /// What a searcher will see: colours, garments.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub wearing: Option<String>,
    /// What they wear against the water.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub immersion_wear: Option<Wear>,
    /// Whether their life jacket is on them.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lifejacket: Option<Lifejacket>,
    /// What a rescuer must know of their health; leaves the service only with an alert.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub medical: Option<String>,
    /// How well they swim, in their own words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub swims: Option<String>,
    /// What they have done on the water, in their own words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub experience: Option<String>,
    /// Whether they count as a beginner.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub beginner: Option<bool>,
}

/// It holds private text, so it can't print itself.
impl fmt::Debug for CrewMember {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("CrewMember")
    }
}

/// Clothing against immersion.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Wear {
    /// Ordinary clothes.
    None,
    /// A wetsuit.
    Wetsuit,
    /// A drysuit.
    Drysuit,
}

/// Where a life jacket is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Lifejacket {
    /// On the person, fastened, the whole way.
    Worn,
    /// In the craft.
    Carried,
    /// There is none.
    None,
}

/// Somebody ashore who is told of the trip and alerted when the crew is overdue.
#[derive(Clone, PartialEq, Serialize)]
pub struct Contact {
    /// Their name.
    pub name: String,
    /// What they are to the crew.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub relation: Option<String>,
    /// Where their letters go.
    pub email: String,
    /// Their telephone, for the other contacts and the rescue service.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub phone: Option<String>,
}

/// It holds private text, so it can't print itself.
impl fmt::Debug for Contact {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("Contact")
    }
}
