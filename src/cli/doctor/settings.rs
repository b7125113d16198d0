//! What the settings leave open.

use chrono::{DateTime, Utc};

use super::Finding;
use crate::letter::Rescue;
use crate::settings::Settings;

/// After so many days a rescue service's number should be looked up again. Our own choice.
const NUMBERS_AGE_DAYS: i64 = 365;

pub(super) fn look(settings: &Settings, now: DateTime<Utc>) -> Vec<Finding> {
    let mut findings = vec![keeper(settings), links(settings)];
    if settings.rescues.iter().all(|rescue| rescue.phone.is_none() && rescue.short_code.is_none()) {
        findings.push(Finding::look(
            "rescue",
            "no rescue service has a number: an alert can only say \"your emergency number\"",
            "add [[rescue]] with `phone` and `short_code`",
        ));
    }
    findings.extend(settings.rescues.iter().filter_map(|rescue| numbers(rescue, now)));
    findings
}

fn keeper(settings: &Settings) -> Finding {
    match &settings.service.keeper_email {
        Some(email) => Finding::ok("keeper", format!("{email} is told of trouble")),
        None => Finding::look(
            "keeper",
            "nobody is told of what could stop an alert",
            "write `keeper_email` under [service]",
        ),
    }
}

/// Links to this machine's own name for itself open nowhere else.
fn links(settings: &Settings) -> Finding {
    let base_url = &settings.service.base_url;
    let host = reqwest::Url::parse(base_url).ok();
    let host = host.as_ref().and_then(reqwest::Url::host_str).unwrap_or_default();
    let own = host == "localhost" || host.starts_with("127.") || host == "[::1]";
    if own {
        let what =
            format!("links in letters begin with {base_url}: they open on this machine only");
        return Finding::look("links", what, "write the public address as `base_url`");
    }
    if base_url.starts_with("http:") {
        let what = format!("links in letters begin with {base_url}: everybody on the way can read");
        return Finding::look("links", what, "put a web server with TLS in front, and write https");
    }
    Finding::ok("links", format!("letters link to {base_url}"))
}

fn numbers(rescue: &Rescue, now: DateTime<Utc>) -> Option<Finding> {
    let numbers: Vec<_> = [&rescue.phone, &rescue.short_code].into_iter().flatten().collect();
    let first = numbers.first()?;
    let mend = "call the centre's office, not its emergency line, or look at its own pages; then \
                write today as `checked`";
    let Some(checked) = rescue.checked else {
        // A short code alone is the same for a whole country, and known to everybody.
        let what = format!("{}: {first} bears no day on which it was checked", rescue.name);
        return rescue.phone.is_some().then(|| Finding::look("rescue", what, mend));
    };
    let age_days = (now.date_naive() - checked).num_days();
    let what = format!("{}: {first}, checked on {checked}", rescue.name);
    match age_days {
        NUMBERS_AGE_DAYS.. => Some(Finding::look("rescue", what, mend)),
        _ => Some(Finding::ok("rescue", what)),
    }
}
