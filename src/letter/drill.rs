//! `drill`: an exercise, by the keeper's word. Nobody may take it for an alert, not even somebody
//! who reads one line of it in the middle of the night; and it shows where everything would stand.

use super::block::{Block, Draft};
use super::scene::Scene;
use super::{rescue, words};

const IT_IS_ONE: &str = "THIS IS AN EXERCISE. Nobody is missing. Call nobody.";

pub(super) fn draft(scene: &Scene<'_>) -> Draft {
    let crew = words::names(&scene.crew(), 4);
    let lead = vec![
        IT_IS_ONE.to_owned(),
        format!("You are a contact ashore for {crew}. This is how an alert would reach you."),
    ];
    let mut blocks = vec![Block::heading("Exercise: do this now")];
    let mut steps = vec![
        "Note when and how you found this letter. Did the telephone ring? At night it mostly \
         doesn't, whatever the letter: that is why the first letter of a trip asks you to set an \
         alarm in your Clock app."
            .to_owned(),
        "Put the address that this letter came from among your contacts.".to_owned(),
    ];
    if scene.facts.page.is_some() {
        steps.push(
            "Open your page, type your name and press \"Yes, I have this\": then the crew knows \
             that letters reach you."
                .to_owned(),
        );
    }
    blocks.push(Block::Steps(steps));
    blocks.extend(scene.link("Your page."));
    blocks.push(Block::heading("In earnest, and only then"));
    blocks.push(Block::Steps(vec![
        "You would try the crew's own telephones, for ten minutes at most.".to_owned(),
        format!(
            "No answer: you would call {}. Save that number now; don't dial it today.",
            rescue::in_a_sentence(&scene.rescue())
        ),
        "You would read to them the box \"Say this\" of the alert: it has all that they ask first."
            .to_owned(),
        "You would write down on your page what you did, so that nobody calls twice.".to_owned(),
    ]));
    blocks.push(Block::para(IT_IS_ONE));
    let subject = words::subject(
        "EXERCISE, nobody is missing: how an alert for ",
        &scene.crew(),
        " would reach you",
    );
    Draft { subject, lead, blocks }
}
