//! The model.

use stateright::{Model, Property};

pub const RUNG_ONE: usize = 0;
pub const RUNG_TWO: usize = 1;
pub const STAND_DOWN: usize = 2;

pub const NOT_AFTER_CHECK_IN: &str = "no alert begins to leave after a check-in is committed";
pub const ONCE: &str = "a letter goes once, but for crashes and silence while it was under way";
pub const ARRIVES: &str = "the highest rung arrives";
pub const STOOD_DOWN: &str = "whoever was alerted is stood down";
pub const OVERTAKES: &str =
    "no alert arrives after the stand-down, unless a sender outlived its lease";
pub const HELD: &str = "no letter is put back for what is said";
pub const TOLD: &str = "whoever is alerted is told of all that is said";
pub const SETTLED: &str = "what is recorded as handed over stays so";
pub const REACHED: [&str; 3] =
    ["reach: the stand-down arrives", "reach: rung two arrives", "reach: a letter arrives twice"];

const SENDERS: usize = 2;
const LETTERS: usize = 3;

/// The protocol, and how much may go wrong.
#[derive(Clone, Copy, Debug)]
pub struct Protocol {
    pub check_in: bool,
    /// Every word about a letter names its attempt.
    pub fence: bool,
    /// The plan is looked at once more before the letter leaves.
    pub last_look: bool,
    /// A letter that says what is so no longer is written anew while the relay waits, once.
    pub anew: bool,
    /// What an alert lacks is told by `news`.
    pub news: bool,
    /// How often somebody says something that the letters are to tell, after the closing too.
    pub words: u8,
    pub crashes: u8,
    /// How often a sender is slower than its lease.
    pub slow: u8,
    /// How often a relay refuses for now, or takes the letter and says nothing.
    pub failures: u8,
}

impl Default for Protocol {
    fn default() -> Self {
        Protocol {
            check_in: true,
            fence: true,
            last_look: true,
            anew: true,
            news: true,
            words: 0,
            crashes: 1,
            slow: 1,
            failures: 1,
        }
    }
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Row {
    #[default]
    NotOrdered,
    Queued,
    Sending,
    Handed,
    Dropped,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Letter {
    row: Row,
    attempt: u8,
    arrived: u8,
    /// How often it may have gone twice for a reason: a crash or a silence while it was under way.
    excuses: u8,
    /// Whether it was recorded as handed over, and then was under way again.
    revived: bool,
}

/// What a sender is at.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Sender {
    #[default]
    Idle,
    /// It is written, with so many words, and a relay asked whether it takes it.
    Claimed { letter: usize, attempt: u8, words: u8, anew: bool },
    /// The letter is on its way: nothing can call it back.
    Leaving(usize, u8),
    /// The relay has it, and its word is not recorded yet.
    Taken(usize, u8),
    /// The relay did not take it, or so it seems.
    Failed(usize, u8),
}

#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub struct State {
    letters: [Letter; LETTERS],
    senders: [Sender; SENDERS],
    /// The rungs that have come: 1 or 2.
    rungs: u8,
    closed: bool,
    /// The plan's own word that its contact may have been alerted.
    told: bool,
    /// How often something was said, and of how much of that its contact is told.
    said: u8,
    heard: u8,
    /// Whether a letter was put back for it.
    held: bool,
    left_after_check_in: bool,
    overtaken: bool,
    crashes: u8,
    slow: u8,
    failures: u8,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Action {
    Climb,
    CheckIn,
    Say,
    Claim(usize, usize),
    Look(usize),
    Arrive(usize),
    Refuse(usize),
    Swallow(usize),
    Record(usize),
    Crash(usize),
    Expire(usize),
}

fn is_alert(letter: usize) -> bool {
    letter != STAND_DOWN
}

impl State {
    fn wanted(&self, letter: usize) -> bool {
        match letter {
            STAND_DOWN => self.closed,
            // An older rung gives way to the newer one.
            RUNG_ONE => !self.closed && self.rungs == 1,
            _ => !self.closed,
        }
    }

    /// Who works at this letter under the attempt that its row names.
    fn holder(&self, letter: usize) -> Option<Sender> {
        let attempt = self.letters[letter].attempt;
        self.senders.into_iter().find(|sender| sender.job() == Some((letter, attempt)))
    }

    fn can_be_claimed(&self, letter: usize) -> bool {
        let row = self.letters[letter].row;
        // One letter at a time to a reader, so that none overtakes the one before it; alerts alone
        // wait for nobody.
        let alone = self.letters.iter().all(|other| other.row != Row::Sending);
        row == Row::Queued && (is_alert(letter) || alone)
    }
}

impl Sender {
    fn job(self) -> Option<(usize, u8)> {
        match self {
            Sender::Idle => None,
            Sender::Claimed { letter, attempt, .. }
            | Sender::Leaving(letter, attempt)
            | Sender::Taken(letter, attempt)
            | Sender::Failed(letter, attempt) => Some((letter, attempt)),
        }
    }

    fn may_arrive(self) -> bool {
        matches!(self, Sender::Leaving(..) | Sender::Taken(..))
    }
}

impl Model for Protocol {
    type State = State;
    type Action = Action;

    fn init_states(&self) -> Vec<State> {
        let mut state = State { rungs: 1, ..State::default() };
        state.letters[RUNG_ONE].row = Row::Queued;
        vec![state]
    }

    fn actions(&self, state: &State, actions: &mut Vec<Action>) {
        if state.rungs == 1 && !state.closed {
            actions.push(Action::Climb);
        }
        if self.check_in && !state.closed {
            actions.push(Action::CheckIn);
        }
        if state.said < self.words {
            actions.push(Action::Say);
        }
        for (at, sender) in state.senders.into_iter().enumerate() {
            match sender {
                Sender::Idle => {
                    let letters = (0..LETTERS).filter(|letter| state.can_be_claimed(*letter));
                    actions.extend(letters.map(|letter| Action::Claim(at, letter)));
                }
                Sender::Claimed { .. } => actions.push(Action::Look(at)),
                Sender::Leaving(..) => {
                    actions.push(Action::Arrive(at));
                    if state.failures < self.failures {
                        actions.extend([Action::Refuse(at), Action::Swallow(at)]);
                    }
                }
                Sender::Taken(..) | Sender::Failed(..) => actions.push(Action::Record(at)),
            }
            if sender != Sender::Idle && state.crashes < self.crashes {
                actions.push(Action::Crash(at));
            }
        }
        for (at, letter) in state.letters.iter().enumerate() {
            let abandoned = state.holder(at).is_none();
            if letter.row == Row::Sending && (abandoned || state.slow < self.slow) {
                actions.push(Action::Expire(at));
            }
        }
    }

    fn next_state(&self, before: &State, action: Action) -> Option<State> {
        let mut state = before.clone();
        match action {
            Action::Climb => {
                state.rungs = 2;
                state.letters[RUNG_TWO].row = Row::Queued;
            }
            Action::CheckIn => {
                state.closed = true;
                for letter in [RUNG_ONE, RUNG_TWO] {
                    if state.letters[letter].row == Row::Queued {
                        state.letters[letter].row = Row::Dropped;
                    }
                }
                if state.told {
                    state.letters[STAND_DOWN].row = Row::Queued;
                }
            }
            Action::Say => {
                state.said += 1;
                if state.told {
                    state.heard = state.said;
                }
            }
            Action::Claim(at, letter) => {
                let row = &mut state.letters[letter];
                row.row = Row::Sending;
                row.attempt += 1;
                let (attempt, words) = (row.attempt, state.said);
                state.senders[at] = Sender::Claimed { letter, attempt, words, anew: false };
            }
            Action::Look(at) => self.look(&mut state, at),
            Action::Arrive(at) => {
                let (letter, attempt) = state.senders[at].job()?;
                state.arrive(letter);
                state.senders[at] = Sender::Taken(letter, attempt);
            }
            Action::Refuse(at) | Action::Swallow(at) => {
                let (letter, attempt) = state.senders[at].job()?;
                state.failures += 1;
                if action == Action::Swallow(at) {
                    state.arrive(letter);
                    state.letters[letter].excuses += 1;
                }
                state.senders[at] = Sender::Failed(letter, attempt);
            }
            Action::Record(at) => self.record(&mut state, at),
            Action::Crash(at) => {
                let (letter, _) = state.senders[at].job()?;
                state.crashes += 1;
                state.letters[letter].excuses += u8::from(state.senders[at].may_arrive());
                state.senders[at] = Sender::Idle;
            }
            Action::Expire(letter) => {
                if let Some(holder) = state.holder(letter) {
                    state.slow += 1;
                    state.letters[letter].excuses += u8::from(holder.may_arrive());
                }
                state.letters[letter].row = Row::Queued;
            }
        }
        Some(state)
    }

    fn properties(&self) -> Vec<Property<Self>> {
        let mut properties = vec![
            Property::always(NOT_AFTER_CHECK_IN, |_, state: &State| !state.left_after_check_in),
            Property::always(ONCE, |_, state: &State| {
                state.letters.iter().all(|letter| letter.arrived <= 1 + letter.excuses)
            }),
            Property::always(OVERTAKES, |_, state: &State| !(state.overtaken && state.slow == 0)),
            Property::always(HELD, |_, state: &State| !state.held),
            Property::always(TOLD, |_, state: &State| !state.told || state.heard == state.said),
            Property::always(SETTLED, |_, state: &State| {
                state.letters.iter().all(|letter| !letter.revived)
            }),
        ];
        // Every way through the model comes to an end, so "in the end" can be asked.
        if self.check_in {
            properties.push(Property::eventually(STOOD_DOWN, |_, state: &State| {
                let alerted = state.letters[RUNG_ONE].arrived + state.letters[RUNG_TWO].arrived;
                let under_way = state.senders.iter().any(|sender| *sender != Sender::Idle);
                let stood_down = state.letters[STAND_DOWN].arrived > 0;
                state.closed && !under_way && (alerted == 0 || stood_down)
            }));
            properties.extend([
                Property::sometimes(REACHED[0], |_, state: &State| {
                    state.letters[STAND_DOWN].arrived > 0
                }),
                Property::sometimes(REACHED[1], |_, state: &State| {
                    state.letters[RUNG_TWO].arrived > 0
                }),
                Property::sometimes(REACHED[2], |_, state: &State| {
                    state.letters[RUNG_ONE].arrived > 1
                }),
            ]);
        } else {
            properties.push(Property::eventually(ARRIVES, |_, state: &State| {
                state.letters[RUNG_TWO].arrived > 0
            }));
        }
        properties
    }
}

impl State {
    fn arrive(&mut self, letter: usize) {
        self.overtaken |= is_alert(letter) && self.letters[STAND_DOWN].arrived > 0;
        self.letters[letter].arrived += 1;
    }
}

impl Protocol {
    fn is_fenced_out(&self, state: &State, letter: usize, attempt: u8) -> bool {
        let row = state.letters[letter];
        self.fence && (row.row != Row::Sending || row.attempt != attempt)
    }

    /// One transaction: whether the letter is still owed, and the word that it may arrive.
    fn look(&self, state: &mut State, at: usize) {
        let Sender::Claimed { letter, attempt, words, anew } = state.senders[at] else { return };
        if !self.last_look {
            state.left_after_check_in |= is_alert(letter) && state.closed;
            state.senders[at] = Sender::Leaving(letter, attempt);
            return;
        }
        if self.is_fenced_out(state, letter, attempt) {
            state.senders[at] = Sender::Idle;
            return;
        }
        if !state.wanted(letter) {
            state.letters[letter].row = Row::Dropped;
            state.senders[at] = Sender::Idle;
            return;
        }
        if words != state.said && !anew {
            if self.anew {
                let words = state.said;
                state.senders[at] = Sender::Claimed { letter, attempt, words, anew: true };
            } else {
                state.held = true;
                state.letters[letter].row = Row::Queued;
                state.senders[at] = Sender::Idle;
            }
            return;
        }
        if is_alert(letter) && !state.told {
            state.heard = if self.news { state.said } else { words };
        }
        state.told |= is_alert(letter);
        state.left_after_check_in |= is_alert(letter) && state.closed;
        state.senders[at] = Sender::Leaving(letter, attempt);
    }

    fn record(&self, state: &mut State, at: usize) {
        let sender = std::mem::take(&mut state.senders[at]);
        let Some((letter, attempt)) = sender.job() else { return };
        if self.is_fenced_out(state, letter, attempt) {
            return;
        }
        let row = &mut state.letters[letter];
        row.revived |= row.row == Row::Handed && !matches!(sender, Sender::Taken(..));
        row.row = if matches!(sender, Sender::Taken(..)) { Row::Handed } else { Row::Queued };
    }
}
