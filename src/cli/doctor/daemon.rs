//! Whether the service runs, and thinks itself well.

use std::time::Duration;

use reqwest::StatusCode;
use serde_json::Value;

use super::super::client;
use super::Finding;
use crate::settings::Settings;

const LONGEST: Duration = Duration::from_secs(5);

pub(super) async fn look(settings: &Settings) -> Vec<Finding> {
    let service = &settings.service;
    let here = format!("http://{}", service.listen);
    let (finding, said) = health("daemon", &here).await;
    let mut findings = vec![finding];
    findings.extend(arrived(&said));
    if service.base_url != here {
        findings.push(health("pages", &service.base_url).await.0);
    }
    findings
}

/// What the service says of its heartbeat and its test alert, when it has tried them.
fn arrived(said: &Value) -> Vec<Finding> {
    let mend = |part| match part {
        "heartbeat" => {
            "look at the address under [service.heartbeat], and at this machine's way out"
        }
        _ => "look at the mail relay, and at the mailbox under [service.canary]",
    };
    let found = ["heartbeat", "canary"].into_iter().filter_map(|part| {
        let words = said[part].as_str()?;
        Some(match words.starts_with("last arrived") {
            true => Finding::ok(part, words),
            false => Finding::look(part, words, mend(part)),
        })
    });
    found.collect()
}

/// Asks whether an alert could go out now; with what was answered.
async fn health(part: &'static str, base_url: &str) -> (Finding, Value) {
    let http = match client::http(base_url) {
        Ok(http) => http,
        Err(failure) => return (Finding::broken(part, base_url, failure), Value::Null),
    };
    let asked = http.get(format!("{base_url}/healthz")).timeout(LONGEST).send().await;
    let answer = match asked {
        Ok(answer) => answer,
        Err(error) => {
            let what = format!("nobody answers at {base_url}: {}", client::innermost(&error));
            return (Finding::broken(part, what, mend_of(part)), Value::Null);
        }
    };
    let status = answer.status();
    let said: Value = answer.json().await.unwrap_or_default();
    let finding = match (status, said["detail"].as_str()) {
        (StatusCode::OK, _) if said["status"] == "ok" => {
            Finding::ok(part, format!("{base_url} answers: an alert could go out"))
        }
        (StatusCode::SERVICE_UNAVAILABLE, Some(detail)) => {
            Finding::broken(part, format!("{base_url} is not well"), detail)
        }
        _ => {
            Finding::broken(part, format!("{base_url} is no Shorelamp: `{status}`"), mend_of(part))
        }
    };
    (finding, said)
}

fn mend_of(part: &str) -> &'static str {
    match part {
        "daemon" => "start it: `shorelamp serve`; until then nobody watches",
        _ => "letters link there: look at `base_url`, and at the web server in front",
    }
}
