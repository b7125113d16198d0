//! `reminder` and `due`, to the crew: the return time is near, or has come.

use super::block::{Block, Draft};
use super::filed_crew::{check_in, ladder};
use super::scene::Scene;
use super::status;
use crate::measure::spoken;
use crate::watch::Kind;

pub(super) fn draft(scene: &Scene<'_>) -> Draft {
    let due = scene.clock.full_from(scene.due_at(), scene.now);
    let ahead = scene.due_at() - scene.now;
    let first = if ahead > chrono::TimeDelta::zero() {
        format!("Your return time is {due}: in {}.", spoken(ahead))
    } else {
        format!("Your return time was {due}, and you have not checked in.")
    };
    let lead = vec![
        first,
        "Ashore, all of you? Check in now. Later? Put the return time off now.".to_owned(),
        consequence(scene),
    ];
    let mut blocks = vec![Block::Para(check_in(scene))];
    blocks.extend(scene.link("Your page: check in, put the return time off, call the trip off."));
    blocks.push(Block::para(
        "In distress use your radio, beacon or telephone: this service is no rescue service and \
         has called nobody.",
    ));
    blocks.push(Block::heading("What goes out if you do nothing"));
    blocks.push(Block::Rows(ladder(scene)));
    let due = scene.clock.short(scene.due_at(), scene.now);
    let subject = if scene.order.kind == Kind::Reminder {
        format!("Back by {due}: check in when ashore, or put it off")
    } else {
        let overdue = scene.clock.short(scene.overdue_at(), scene.now);
        format!("Return time {due} has come: check in, or your contacts hear at {overdue}")
    };
    Draft { subject, lead, blocks }
}

fn consequence(scene: &Scene<'_>) -> String {
    let contacts = status::first_names(scene);
    let overdue = scene.clock.full_from(scene.overdue_at(), scene.now);
    if scene.now < scene.overdue_at() {
        format!("At {overdue} we begin to write to {contacts} that you are overdue.")
    } else {
        format!("Since {overdue} you count as overdue, and {contacts} are being written to.")
    }
}
