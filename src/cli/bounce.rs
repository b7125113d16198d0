//! `bounce`: takes in a report about a letter that a relay took.

use std::io::{self, Read};
use std::path::Path;

use chrono::Utc;
use clap::Args;

use super::exit::{Done, Exit, Failure};
use super::{assemble, print};
use crate::daemon::Secrets;
use crate::post::{MOST_REPORT_BYTES, letter_of, read_report};

/// Read one mail from standard input and note it if it reports that a letter of ours came back;
/// meant to be started by the mail server for every mail to `mail.bounces`
#[derive(Debug, Args)]
pub(super) struct Bounce {
    /// The address that the mail was sent to, if the mail server tells it
    #[arg(long, value_name = "ADDRESS")]
    to: Option<String>,
}

impl Bounce {
    pub(super) async fn run(self, config: &Path) -> Done {
        // Whatever is in the way: a report that was given up is a contact of whom nobody learns that
        // no letter reaches them.
        self.note(config).await.map_err(Failure::for_now)
    }

    async fn note(self, config: &Path) -> Done {
        let settings = assemble::settings(config)?;
        let Some(bounces) = &settings.mail.bounces else {
            let mend = "the settings name no address for reports: write `bounces` under [mail]";
            return Err(Failure::new(Exit::BadSettings, mend));
        };
        let mut mail = Vec::new();
        let most = u64::try_from(MOST_REPORT_BYTES).unwrap_or(u64::MAX);
        io::stdin().lock().take(most).read_to_end(&mut mail).map_err(|error| {
            Failure::new(Exit::TempFail, format!("no mail can be read: {error}"))
        })?;
        // What is no report ends well: else the mail server would report on it in its turn.
        let Some(report) = read_report(&mail) else {
            return print::say("This is no report of delivery: nothing was noted.");
        };
        let data_dir = &settings.service.data_dir;
        let secrets =
            Secrets::open(data_dir).map_err(|error| Failure::new(Exit::TempFail, error))?;
        let sent_to = self.to.iter().chain(&report.sent_to);
        let letter = sent_to
            .filter_map(|address| letter_of(bounces, address))
            .find(|(letter, tag)| secrets.bounce_tag(letter) == *tag);
        let Some((letter, _)) = letter else {
            return print::say("This report is about no letter of ours: nothing was noted.");
        };
        if !report.failed {
            let said = print::plain(&report.said);
            return print::say(format!("Letter {letter}: {said}. Nothing is to be noted of that."));
        }
        let again = |error| Failure::new(Exit::TempFail, format!("try again later: {error}"));
        let note = format!("came back: {}", report.said);
        let noted = assemble::with_store(data_dir, async |store| {
            store.came_back(letter, &note, report.for_content, Utc::now()).await.map_err(again)
        });
        let noted = noted.await?;
        print::say(match noted {
            None => format!("Letter {letter} is not known any more: nothing was noted."),
            Some(one) if one.known => format!("Letter {letter}: that was known already."),
            Some(one) => format!(
                "Noted: the letter {} of plan {} to {} came back.",
                one.kind, one.plan_ref, one.to
            ),
        })
    }
}
