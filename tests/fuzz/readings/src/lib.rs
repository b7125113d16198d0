//! The pure floors that read what services and keepers write, and the readers of the floors above
//! that need nothing else, by themselves: nothing else of the service is built for fuzzing.

#![allow(dead_code, unused_imports, reason = "the rest of the service uses them")]

#[path = "../../../../src/caution/mod.rs"]
pub mod caution;
#[path = "../../../../src/conditions/mod.rs"]
pub mod conditions;
#[path = "../../../../src/measure/mod.rs"]
pub mod measure;
#[path = "../../../../src/plan/mod.rs"]
pub mod plan;

pub mod inputs;
pub mod plans;
pub mod post;
pub mod web;
