//! `confirm`: once to each address, by day, before anything depends on it. Fixed words: nothing
//! that the filer typed stands in it, so that it can carry nobody's message to a stranger.

use super::block::{Block, Draft};
use super::scene::Scene;

pub(super) fn draft(scene: &Scene<'_>) -> Draft {
    let service = scene.service();
    let lead = vec![
        "Somebody who goes paddling has named this address as their contact ashore.".to_owned(),
        "Nothing has happened, and nobody is missing.".to_owned(),
        "Is the address yours, and are you willing? Then say so on the page below.".to_owned(),
    ];
    let mut blocks = vec![Block::heading("Do this now: two minutes")];
    blocks.push(Block::Steps(vec![
        "Open the page, type your name and press \"Yes, I am willing\".".to_owned(),
        "Put the address that this letter came from among your contacts, so that the next one does \
         not land among the spam."
            .to_owned(),
    ]));
    blocks.extend(scene.link("The page, for your answer."));
    blocks.push(Block::heading("What is asked of you"));
    blocks.push(Block::List(vec![
        "Before a trip you get a letter: who goes out, until when, and at what time you act if you \
         have heard nothing. You set an alarm for that time."
            .to_owned(),
        "When they are back, you hear that it is over.".to_owned(),
        "If they are not, you get a letter with all that a rescue service asks, and whom to call. \
         You make that call; we can't."
            .to_owned(),
    ]));
    blocks.push(Block::heading("Not you, or not willing?"));
    blocks.push(Block::para(
        "The same page has \"Never write to me again\". Type one word there. We then tell whoever \
         named you, and take no later plan that names this address. If you do nothing, you are not \
         asked a second time, but may still get letters about trips that name you.",
    ));
    blocks.push(Block::Para(format!("{service} runs this service.")));
    let subject = "Please confirm: you are named as a contact ashore".to_owned();
    Draft { subject, lead, blocks }
}
