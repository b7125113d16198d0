//! Shorelamp watches filed float plans and tells the people ashore, by letter, when a crew is
//! overdue.
//!
//! The modules are floors of one house; an arrow between them points only downward (see
//! `DEVELOPERS.md`). The lower floors are pure: no input or output, no clock, no randomness.
//!
//! It is a library so that its tests can reach every floor. What is stable is the program's own
//! interface: commands, files, addresses and letters.

pub mod caution;
pub mod chart;
pub mod cli;
pub mod conditions;
pub mod daemon;
pub mod drift;
pub mod fetch;
pub mod guarded;
pub mod letter;
pub mod measure;
pub mod packs;
pub mod plan;
pub mod post;
pub mod review;
pub mod settings;
pub mod shoreline;
pub mod store;
pub mod sun;
pub mod watch;
pub mod web;
