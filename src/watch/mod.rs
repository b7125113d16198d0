//! When something is said, and to whom: the state of a watched plan and the one function that
//! moves it.
//!
//! Pure. [`step`] takes a plan's state, an event and the time, and gives the next state and the
//! letters it owes; [`next_wakeup`] tells when the clock alone will change something;
//! [`wanted`] is the last look at a letter before it leaves. A state is the fold of its events:
//! replaying them from [`Watched::file`] gives it again.
//!
//! # What always holds
//!
//! Nobody is forgotten:
//! - An open plan always wakes again. A tick before [`next_wakeup`] changes nothing, but where a
//!   clock was set back: then it moves the wake-up nearer. A tick at it changes something; many ticks
//!   missed are one tick late.
//! - Only people end a watch: the check-in of the last who is out, a calling-off, the keeper with a
//!   reason. No tick, no answer, no amendment, no fate of a letter closes a plan.
//! - Overdue stays overdue, whatever a clock may say, until somebody closes the plan or moves the
//!   return time to one that is still to come.
//! - No answer stops the ladder. "I am on it" spares its own contact the repeats until it runs out,
//!   "I have called" lets repeats come once an hour at most; the rungs go out all the same.
//! - A contact who can't be reached or can't act brings the next rung at once, once overdue. When
//!   none is left, crew and keeper are asked to call.
//! - After an outage each reader gets the highest rung that is due, once; what follows keeps the
//!   ladder's spacing from then on. A repeat never waits longer because a clock was set back.
//! - An alert that waits gives way to none that says less, and to no word to the crew.
//! - A closing can be taken back for 24 hours. Whoever takes back the word that somebody is ashore
//!   says that they are out: that opens the plan again, though it had been called off before, or
//!   the word came after the calling-off. Where somebody else says so too, they stay ashore.
//!
//! Nobody is alarmed for nothing:
//! - No alert is ordered before the return time and the grace have passed, by the clock that [`step`]
//!   is given.
//! - A closed plan orders no alert, and [`wanted`] lets none leave; nor one of an earlier round,
//!   one that a newer rung has overtaken, or one to a reader whom an amendment took out.
//! - Within a round no cause orders the same letter to the same reader twice, whatever the clock
//!   does, and no letter is sent again but by the keeper, who alarms nobody whom the ladder has not
//!   reached.
//!
//! Whoever was told one thing hears when it is another:
//! - [`Event::Handing`] is recorded before a letter leaves: from then on its reader may have it. One
//!   that left while nothing could be written is recorded late; an alert's reader is stood down then,
//!   if the trip has closed meanwhile.
//! - A closing owes `stand-down` to everybody who may have been alerted, and `home` to the others
//!   who know of the plan, those too whom an amendment took out. A reopening owes `withdrawn` to
//!   everybody who may have heard that it is over, a new return time `changed`. A contact who wants
//!   no letters gets of these only what corrects an alert that they had.
//! - The address that refuses `stand-down`, `withdrawn` or `changed` is told to the keeper each time.
//!
//! For everything that reads a state:
//! - [`step`] and its parts are total: no panic, no clock, no chance. What does not apply is a
//!   [`Refusal`], and leaves the plan as it was; the same event again changes nothing, but for one
//!   that says something new each time: an extension, "I am on it", "I have called", a letter sent
//!   again, a correction that is refused once more. No time is too far: sums of times end at the
//!   ends of time.
//! - Places of people are for life; an amendment adds at the end.
//! - Rounds and event numbers only grow, and phases move as the table in DEVELOPERS.md shows.
//!
//! # No way round it
//!
//! A [`Watched`] comes from [`Watched::file`] and [`step`], or from what one of them gave, written
//! down and read back; the compiler holds that. Letters and pages read every field of its
//! [`State`] and can set none: a copy of a state, altered, is no plan, for nothing outside this
//! module makes a `Watched` of it, unless it is written down and read back as one. A [`Ladder`] comes
//! from [`Ladder::new`], which refuses what would tell nobody ashore to call, or never let the watch
//! sleep, and nobody sets its spans afterwards. What is read back is as good as the text: `store`
//! keeps a checksum beside it, and folds the plan again from its events where the two differ.
//!
//! What [`step`] is told it believes. For the time `daemon::referee` answers; and where a clock was
//! set back each plan has to be ticked once before its wake-up, which `daemon::watching` does. That
//! only the keeper closes by hand, and gives a reason, is for `web` to see to. Before a letter is
//! handed over `store` asks [`wanted`], in the same transaction.
//!
//! Each of the sentences above has its test: `tests/watch*.rs`.

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
pub use ladder::{Anchor, Ladder, LadderFault, Rung, RungKind, To, Track};
pub use letters::{Cause, Kind, Order, Recipient, Urgency, retry_until, wanted};
pub use state::{
    Ashore, CalledRescue, Closing, ContactState, CrewState, How, LastWord, OnIt, Phase, RanOut,
    State, Terms, Told, Watched,
};
pub use step::{Refusal, Step, step};
