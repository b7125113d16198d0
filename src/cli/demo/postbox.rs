//! The letters as they leave: read from the folder or, when a mail server takes them, told by the
//! service.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use mail_parser::MessageParser;

use super::super::armed;
use super::super::client::Client;
use super::super::exit::{Done, Exit, Failure};
use crate::plan::Plan;

/// A letter that has left.
#[derive(Clone, Debug)]
pub(super) struct Letter {
    pub(super) kind: String,
    /// The reader, as the service calls them.
    pub(super) to: String,
    /// Where it can be read by us.
    pub(super) text: Option<Text>,
}

/// What a letter says.
#[derive(Clone, Debug)]
pub(super) struct Text {
    pub(super) subject: String,
    pub(super) body: String,
}

/// Where the letters of one plan are looked for, and those seen so far.
pub(super) struct Postbox {
    way: Way,
    /// The readers by their address.
    readers: Vec<(String, String)>,
    seen: Vec<Letter>,
}

enum Way {
    Folder {
        path: PathBuf,
        read: BTreeSet<PathBuf>,
    },
    /// By the service's own account: the places in its list that have been told.
    Service {
        plan_ref: String,
        told: BTreeSet<usize>,
    },
}

impl Postbox {
    /// The letters of this plan, as files in a folder.
    pub(super) fn folder(path: &Path, plan: &Plan, keeper_email: &str) -> Self {
        let way = Way::Folder { path: path.to_owned(), read: BTreeSet::new() };
        Postbox { way, readers: readers(plan, keeper_email), seen: Vec::new() }
    }

    /// The letters of this plan, as the service tells of them.
    pub(super) fn service(plan_ref: &str) -> Self {
        let way = Way::Service { plan_ref: plan_ref.to_owned(), told: BTreeSet::new() };
        Postbox { way, readers: Vec::new(), seen: Vec::new() }
    }

    /// What has left since the last look.
    pub(super) async fn look(&mut self, client: &Client) -> Done<Vec<Letter>> {
        let new = match &mut self.way {
            Way::Folder { path, read } => files(path, read, &self.readers)?,
            Way::Service { plan_ref, told } => by_service(client, plan_ref, told).await?,
        };
        self.seen.extend(new.iter().cloned());
        Ok(new)
    }

    /// Every letter seen.
    pub(super) fn seen(&self) -> &[Letter] {
        &self.seen
    }

    /// Whether a letter of this kind to this reader was seen.
    pub(super) fn has(&self, kind: &str, to: &str) -> bool {
        self.seen.iter().any(|letter| letter.kind == kind && letter.to == to)
    }

    /// Whether anybody has got two letters of this kind.
    pub(super) fn has_twice(&self, kind: &str) -> bool {
        let letters = self.seen.iter().filter(|letter| letter.kind == kind);
        let mut readers = BTreeSet::new();
        letters.map(|letter| &letter.to).any(|reader| !readers.insert(reader))
    }
}

fn readers(plan: &Plan, keeper_email: &str) -> Vec<(String, String)> {
    let crew = plan.crew.iter().filter_map(|one| Some((one.email.clone()?, one.name.clone())));
    let contacts = plan.contacts.iter().map(|one| (one.email.clone(), one.name.clone()));
    let keeper = (keeper_email.to_owned(), "the keeper".to_owned());
    crew.chain(contacts).chain([keeper]).collect()
}

/// The files not read yet, in the order of their names, which begin with the time.
fn files(
    path: &Path,
    read: &mut BTreeSet<PathBuf>,
    readers: &[(String, String)],
) -> Done<Vec<Letter>> {
    // The service makes the folder with its first letter.
    let Ok(entries) = fs::read_dir(path) else { return Ok(Vec::new()) };
    let files: BTreeSet<_> = entries
        .filter_map(|entry| entry.ok().map(|entry| entry.path()))
        .filter(|file| file.extension().is_some_and(|ending| ending == "eml"))
        .collect();
    let new: Vec<_> = files.difference(read).cloned().collect();
    read.extend(new.iter().cloned());
    new.iter().map(|file| letter(file, readers)).collect()
}

fn letter(file: &Path, readers: &[(String, String)]) -> Done<Letter> {
    let odd =
        |why: &str| Failure::new(Exit::Software, format!("the letter {} {why}", file.display()));
    let bytes = fs::read(file).map_err(|error| odd(&format!("can't be read: {error}")))?;
    let message = MessageParser::default().parse(&bytes).ok_or_else(|| odd("is no letter"))?;
    let kind = message.header("Shorelamp-Kind").and_then(|kind| kind.as_text());
    let kind = kind.ok_or_else(|| odd("has no kind"))?.trim().to_owned();
    let email = message.to().and_then(|to| to.first()).and_then(|to| to.address());
    let email = email.ok_or_else(|| odd("goes to nobody"))?;
    let reader = readers.iter().find(|(known, _)| known == email);
    let (_, to) =
        reader.ok_or_else(|| odd(&format!("goes to {email}, who has no part in this")))?;
    let subject = message.subject().unwrap_or_default().to_owned();
    let body = message.body_text(0).unwrap_or_default().into_owned();
    Ok(Letter { kind, to: to.clone(), text: Some(Text { subject, body }) })
}

async fn by_service(
    client: &Client,
    plan_ref: &str,
    told: &mut BTreeSet<usize>,
) -> Done<Vec<Letter>> {
    let status = client.get(&format!("/api/v1/plans/{plan_ref}")).await?;
    let odd = || Failure::new(Exit::Software, "the service does not tell of its letters");
    let letters = armed::Letters::read(&status).ok_or_else(odd)?;
    let handed = letters.list().iter().enumerate().filter(|(_, one)| one.state == "handed over");
    let new = handed.filter(|(at, _)| told.insert(*at));
    Ok(new
        .map(|(_, one)| Letter { kind: one.kind.clone(), to: one.to.clone(), text: None })
        .collect())
}
