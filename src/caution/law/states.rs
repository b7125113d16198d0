//! Seasons in which some of the United States' states ask that life jackets are worn, and what is
//! unresolved in others. First and last day are inside. To be checked again each season.

use super::{BOARDS, Case, FEET_16_M, KAYAKS_AND_CANOES, Row, is_kind, may_reach_m};
use crate::measure::Position;
use crate::plan::Craft;

/// A state and the box around it: south, north, west, east, in degrees (from memory, generous).
struct State {
    box_deg: [f64; 4],
    rows: &'static [Row],
}

const STATES: [State; 7] = [
    State {
        box_deg: [40.4, 45.1, -79.9, -71.7],
        rows: &[Row {
            section: "New York Navigation Law § 40(1)(e): craft under 21 feet, 1 November to 1 May",
            known: "seen 2023",
            lacks: |case| worn(case, "New York", (11, 1), (5, 1), |_| true),
        }],
    },
    State {
        box_deg: [39.6, 42.4, -80.6, -74.6],
        rows: &[Row {
            section: "58 Pa. Code § 97.1: under way or at anchor, 1 November to 30 April",
            known: "seen 2012; amended 2024, reminder of 2026-03-10 seen",
            lacks: |case| worn(case, "Pennsylvania", (11, 1), (4, 30), |_| true),
        }],
    },
    State {
        box_deg: [41.1, 42.95, -73.6, -69.8],
        rows: &[
            Row {
                section: "323 CMR 2.00: canoes and kayaks, 15 September to 15 May",
                known: "seen 2012 and the safety page; sub-section not found",
                lacks: |case| {
                    worn(case, "Massachusetts", (9, 15), (5, 15), |kind| kind != Kind::Board)
                },
            },
            Row {
                section: "323 CMR 2.06(4): day signals from 16 feet on?",
                known: "unresolved",
                lacks: |case| day_signals(case, "Massachusetts"),
            },
        ],
    },
    State {
        box_deg: [40.9, 42.1, -73.8, -71.7],
        rows: &[
            Row {
                section: "RCSA § 15-121-A17: manually propelled craft, 1 October to 31 May",
                known: "seen 2025-10-01",
                lacks: |case| worn(case, "Connecticut", (10, 1), (5, 31), |_| true),
            },
            Row {
                section: "Connecticut boater's guide 2023: day signals from 16 feet on?",
                known: "unresolved",
                lacks: |case| day_signals(case, "Connecticut"),
            },
        ],
    },
    State {
        box_deg: [38.8, 41.4, -75.6, -73.8],
        rows: &[Row {
            section: "N.J.A.C. 13:82-1.4(f): craft under 26 feet, 1 November to 1 May",
            known: "seen, since November 2023",
            lacks: |case| worn(case, "New Jersey", (11, 1), (5, 1), |_| true),
        }],
    },
    State {
        box_deg: [43.4, 44.0, -71.0, -70.3],
        rows: &[Row {
            section: "12 MRSA § 13068-A: Saco River below Hiram Dam, 1 January to 1 June",
            known: "seen in a bill",
            lacks: |case| {
                worn(case, "Maine, on the Saco River", (1, 1), (6, 1), |kind| kind != Kind::Board)
            },
        }],
    },
    State {
        box_deg: [38.8, 39.8, -79.5, -77.0],
        rows: &[Row {
            section: "Maryland, Upper Potomac and its tributaries, 15 November to 15 May",
            known: "in one secondary list; the regulation's number not found",
            lacks: |case| worn(case, "Maryland, on the Upper Potomac", (11, 15), (5, 15), |_| true),
        }],
    },
];

/// What a craft is, as those rules look at it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    KayakOrCanoe,
    Board,
    /// Another, or nothing is said.
    Other,
}

/// The rows of every state whose box has the place.
pub(super) fn rows(at: Position) -> Vec<&'static Row> {
    let has = |state: &&State| {
        let [south, north, west, east] = state.box_deg;
        (south..=north).contains(&at.lat_deg()) && (west..=east).contains(&at.lon_deg())
    };
    STATES.iter().filter(has).flat_map(|state| state.rows).collect()
}

fn worn(
    case: &Case<'_>,
    state: &str,
    from: (u32, u32),
    to: (u32, u32),
    is_meant: fn(Kind) -> bool,
) -> Option<String> {
    // A plan without craft may be in any.
    let meant = case.craft.is_empty() || case.any_craft(|craft| is_meant(kind(craft)));
    let names = (meant && case.in_season(from, to)).then(|| case.not_wearing(|_| true))??;
    Some(format!("a life jacket worn by {names} in this season, if this is {state}"))
}

fn kind(craft: &Craft) -> Kind {
    if is_kind(craft, &KAYAKS_AND_CANOES) {
        Kind::KayakOrCanoe
    } else if is_kind(craft, &BOARDS) {
        Kind::Board
    } else {
        Kind::Other
    }
}

fn day_signals(case: &Case<'_>, state: &str) -> Option<String> {
    let long = case.any_craft(|craft| craft.length_m.is_some() && may_reach_m(craft, FEET_16_M));
    long.then(|| {
        format!("signals for the day from 16 feet on: check your state's rule, if this is {state}")
    })
}
