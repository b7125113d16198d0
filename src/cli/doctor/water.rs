//! The shoreline and the services that plans are judged by. None of them can stop an alert: what
//! they don't say is a caution.

use chrono::Utc;

use super::super::assemble;
use super::Finding;
use crate::conditions::Answer;
use crate::fetch::Asker;
use std::path::PathBuf;

use crate::settings::Settings;
use crate::shoreline::Coverage;

pub(super) async fn look(settings: &Settings) -> Vec<Finding> {
    let mut findings = shorelines(settings);
    findings.extend(stations(settings).await);
    findings
}

fn shorelines(settings: &Settings) -> Vec<Finding> {
    const PART: &str = "shoreline";
    let shoreline = &settings.shoreline;
    if shoreline.files.is_empty() {
        let what = "none: every distance from shore is unknown";
        return vec![Finding::look(PART, what, "name a GeoJSON file under [shoreline] files")];
    }
    let look = |file: &PathBuf| match assemble::shoreline(file, shoreline.accuracy_m) {
        Ok(read) => {
            let area = read.coverage().map_or("the whole earth".to_owned(), area);
            let (name, accuracy_m) = (read.name(), read.accuracy_m());
            Finding::ok(PART, format!("{name} covers {area}, to within {accuracy_m} m"))
        }
        // The service does not start without a file that it was told of.
        Err(failure) => Finding::broken(PART, file.display(), failure),
    };
    shoreline.files.iter().map(look).collect()
}

/// The box in degrees, its south-west corner first.
fn area(coverage: Coverage) -> String {
    let [west, south, east, north] = coverage.bbox();
    format!("{south:.2} {west:.2} to {north:.2} {east:.2}")
}

async fn stations(settings: &Settings) -> Vec<Finding> {
    const PART: &str = "water";
    let stations = assemble::stations(settings);
    let mut findings = Vec::new();
    if stations.is_empty() {
        let mend = "add [[water.station]], or have crews state what they measure";
        findings.push(Finding::look(PART, "no station is asked: water is unknown", mend));
    }
    let keeper = settings.service.keeper_email.as_deref().unwrap_or_default();
    let answers = Asker::new(keeper, Asker::DEADLINE).ask(&stations).await;
    findings.extend(answers.iter().map(|answer| station(answer, settings)));
    findings
}

fn station(answer: &Answer, settings: &Settings) -> Finding {
    const PART: &str = "water";
    let id = &answer.station.id;
    let mend = "plans are judged as if the water were cold until it answers";
    let said = match &answer.said {
        Ok(said) => said,
        Err(why) => return Finding::look(PART, format!("station {id} {why}"), mend),
    };
    let Some(water) = said.water_c else {
        return Finding::look(PART, format!("station {id} has no water temperature"), mend);
    };
    let age = Utc::now() - water.taken_at;
    let what = format!("station {id}: {:.1} °C, {} min ago", water.value, age.num_minutes());
    if age > settings.water.stale_after.delta() {
        return Finding::look(PART, format!("{what}, which counts as history"), mend);
    }
    Finding::ok(PART, what)
}
