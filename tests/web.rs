//! The pages and the HTTP API, over a real database, a real folder of letters and a real listener.
//! All people and places are invented.

#![allow(clippy::unwrap_used)]

#[path = "web/amend.rs"]
mod amend;
#[path = "web/api.rs"]
mod api;
#[path = "web/attempts.rs"]
mod attempts;
#[path = "web/board.rs"]
mod board;
#[path = "web/browser.rs"]
mod browser;
#[path = "web/change.rs"]
mod change;
#[path = "web/charts.rs"]
mod charts;
#[path = "web/contact.rs"]
mod contact;
#[path = "web/counted.rs"]
mod counted;
#[path = "web/crew.rs"]
mod crew;
#[path = "web/crowd.rs"]
mod crowd;
#[path = "web/doors.rs"]
mod doors;
#[path = "web/filings.rs"]
mod filings;
#[path = "web/flood.rs"]
mod flood;
#[path = "web/forgotten.rs"]
mod forgotten;
#[path = "web/grudges.rs"]
mod grudges;
#[path = "web/house.rs"]
mod house;
#[path = "web/own_device.rs"]
mod own_device;
#[path = "web/piled.rs"]
mod piled;
#[path = "web/ramp.rs"]
mod ramp;
#[path = "web/rescue.rs"]
mod rescue;
#[path = "web/scanner.rs"]
mod scanner;
#[path = "web/strangers.rs"]
mod strangers;
#[path = "web/to_and_fro.rs"]
mod to_and_fro;
#[path = "web/unreadable.rs"]
mod unreadable;
#[path = "web/unshown.rs"]
mod unshown;
