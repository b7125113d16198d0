//! When something is said, and to whom: the state of a watched plan and the one function that
//! moves it.
//!
//! Pure. [`step`] takes a plan's state, an event and the time, and gives the next state and the
//! letters it owes; [`next_wakeup`] tells when the clock alone will change something;
//! [`wanted`] is the last look at a letter before it leaves. A state is the fold of its events:
//! replaying them from [`Watched::file`] gives it again.

mod again;
mod amend;
mod answer;
mod climb;
mod close;
mod event;
mod ladder;
mod letters;
mod state;
mod step;

pub use amend::{Amendment, Part, Place};
pub use climb::next_wakeup;
pub use event::{Answer, By, Event, Past};
pub use ladder::{Anchor, Ladder, LadderFault, Rung, RungKind, To};
pub use letters::{Cause, Kind, Order, Recipient, retry_until, wanted};
pub use state::{
    Ashore, CalledRescue, Closing, ContactState, CrewState, How, OnIt, Phase, RanOut, Terms, Told,
    Watched,
};
pub use step::{Refusal, Step, step};
