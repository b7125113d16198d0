//! What the pages read of a request.

#[path = "../../../../src/web/heads.rs"]
pub mod heads;
#[path = "../../../../src/web/typed.rs"]
pub mod typed;

#[path = "doors.rs"]
pub mod doors;
#[path = "ramp.rs"]
pub mod ramp;
