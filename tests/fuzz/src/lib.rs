//! The pure floors that read what others wrote, by themselves: nothing of the service is built.

#[path = "../../../src/measure/mod.rs"]
pub mod measure;
#[path = "../../../src/shoreline/mod.rs"]
pub mod shoreline;

pub mod inputs;
