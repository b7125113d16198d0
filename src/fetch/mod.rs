//! Asks observation services, briefly. No answer is a fact that the review shows, never an error
//! that stops a filing.
//!
//! A service is a file beside [`ndbc`]: where its answers are, and which reader takes them.

mod cache;
mod coops;
mod erddap;
mod get;
mod ndbc;
mod nws;

use std::future::Future;
use std::path::Path;
use std::time::Duration;

use tokio::task::JoinSet;

use crate::conditions::nws::Warnings;
use crate::conditions::{Answer, Forecast, Observations, Service, Silence, Station};
use crate::guarded::{Panicked, guarded_while};
use crate::measure::Position;
use crate::settings;
use cache::Cache;
use get::Getter;

/// Where the services answer, when that is not their public address.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Homes {
    /// NDBC: the texts of its stations and the list of them.
    pub ndbc: Option<String>,
    /// NOAA CO-OPS.
    pub coops: Option<String>,
    /// An ERDDAP server.
    pub erddap: Option<String>,
    /// The United States' weather service.
    pub nws: Option<String>,
}

/// What is asked for a trip.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Questions {
    /// Stations that are asked in any case.
    pub stations: Vec<Station>,
    /// Whether the nearest stations are looked for too.
    pub nearby: bool,
    /// How far from the route those may be, in metres.
    pub within_m: f64,
    /// Whether the weather service is asked for warnings in force and the coming wind.
    pub warnings: bool,
}

impl Homes {
    /// As the settings say.
    #[must_use]
    pub fn of(services: &settings::Services) -> Self {
        let home = |url: &Option<reqwest::Url>| url.as_ref().map(ToString::to_string);
        Homes {
            ndbc: home(&services.ndbc),
            coops: home(&services.coops),
            erddap: home(&services.erddap),
            nws: home(&services.nws),
        }
    }
}

impl Questions {
    /// As the settings say, for stations within so many metres of a route.
    #[must_use]
    pub fn of(water: &settings::Water, within_m: f64) -> Self {
        let station = |one: &settings::Station| Station {
            service: one.service,
            id: one.id.clone(),
            position: one.position,
            url: one.url.as_ref().map(ToString::to_string),
        };
        Questions {
            stations: water.stations.iter().map(station).collect(),
            nearby: water.nearby,
            within_m,
            warnings: water.warnings,
        }
    }
}

/// What was heard.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Heard {
    /// The stations' answers.
    pub answers: Vec<Answer>,
    /// Whoever else gave none.
    pub silent: Vec<Silence>,
    /// Warnings in force.
    pub warnings: Warnings,
    /// The coming wind.
    pub forecast: Forecast,
}

/// Asks stations for what they observe.
#[derive(Clone, Debug)]
pub struct Asker {
    getter: Getter,
    homes: Homes,
    deadline: Duration,
}

impl Asker {
    /// How long a service has for all of its answer, unless the settings say otherwise. Looking for
    /// stations and asking them follow each other: twice this is within three seconds.
    pub const DEADLINE: Duration = Duration::from_millis(1400);

    /// So many of the nearest stations are asked: beyond them there is little to learn.
    const NEARBY: usize = 4;

    /// An asker that names itself and the keeper's address to the services, as they ask of
    /// programs, and gives each service so long for all of its answer.
    #[must_use]
    pub fn new(keeper_email: &str, deadline: Duration) -> Self {
        let getter = Getter::new(keeper_email, deadline);
        Asker { getter, homes: Homes::default(), deadline }
    }

    /// The same, keeping answers in this folder, so that a restart asks nothing anew.
    #[must_use]
    pub fn keeping_in(self, folder: &Path) -> Self {
        Asker { getter: self.getter.keeping(Cache::in_folder(folder)), ..self }
    }

    /// The same, asking at these addresses.
    #[must_use]
    pub fn at(self, homes: Homes) -> Self {
        Asker { homes, ..self }
    }

    /// Asks all that is wanted for a route at once. It takes two deadlines at most.
    pub async fn hear(&self, wanted: &Questions, route: &[Position]) -> Heard {
        let named = self.ask(&wanted.stations);
        let found = self.ask_nearby(wanted, route);
        let told = self.ask_weather_service(wanted, route);
        let (mut answers, (found, silent), told) = tokio::join!(named, found, told);
        let (warnings, forecast) = told;
        answers.extend(found);
        Heard { answers, silent, warnings, forecast }
    }

    /// Asks all of them at once and answers in their order, within the deadline.
    pub async fn ask(&self, stations: &[Station]) -> Vec<Answer> {
        let mut asked = JoinSet::new();
        for (at, station) in stations.iter().cloned().enumerate() {
            let asker = self.clone();
            asked.spawn(async move { (at, asker.in_time(asker.ask_one(&station)).await) });
        }
        let unfinished = || Err("was not asked to the end".to_owned());
        let mut answers: Vec<_> = stations
            .iter()
            .map(|station| Answer { station: station.clone(), said: unfinished() })
            .collect();
        while let Some(done) = asked.join_next().await {
            if let Ok((at, said)) = done {
                answers[at].said = said;
            }
        }
        answers
    }

    /// The nearest stations that are not named anyway, and what they say; or why there are none.
    async fn ask_nearby(
        &self,
        wanted: &Questions,
        route: &[Position],
    ) -> (Vec<Answer>, Vec<Silence>) {
        if !wanted.nearby {
            return (Vec::new(), Vec::new());
        }
        match self.nearby(route, wanted.within_m).await {
            Ok(mut stations) => {
                let is_named = |one: &Station| {
                    wanted.stations.iter().any(|named| named.id.eq_ignore_ascii_case(&one.id))
                };
                stations.retain(|station| !is_named(station));
                (self.ask(&stations).await, Vec::new())
            }
            Err(why) => (Vec::new(), vec![Silence { station: "list of NDBC".to_owned(), why }]),
        }
    }

    /// The stations nearest to a route, nearest first, as NDBC lists them.
    ///
    /// # Errors
    /// Why the list could not be had, as the end of a sentence that begins with it.
    pub async fn nearby(&self, route: &[Position], within_m: f64) -> Result<Vec<Station>, String> {
        let found = ndbc::nearest(&self.getter, &self.homes, route, within_m, Self::NEARBY);
        self.in_time(found).await
    }

    async fn ask_weather_service(
        &self,
        wanted: &Questions,
        route: &[Position],
    ) -> (Warnings, Forecast) {
        match route.first() {
            Some(launch) if wanted.warnings => {
                nws::told(&self.getter, &self.homes, *launch, 2 * self.deadline).await
            }
            _ => Default::default(),
        }
    }

    async fn ask_one(&self, station: &Station) -> Result<Observations, String> {
        match station.service {
            Service::Ndbc => ndbc::ask(&self.getter, &self.homes, station).await,
            Service::Coops => coops::ask(&self.getter, &self.homes, station).await,
            Service::Erddap => erddap::ask(&self.getter, &self.homes, station).await,
        }
    }

    async fn in_time<T>(
        &self,
        asking: impl Future<Output = Result<T, String>>,
    ) -> Result<T, String> {
        in_time(self.deadline, asking).await
    }
}

/// A deadline around all of it, whatever it consists of. A service over whose answer the program
/// fails is one that did not answer: it is asked again at each start.
async fn in_time<T>(
    within: Duration,
    asking: impl Future<Output = Result<T, String>>,
) -> Result<T, String> {
    match guarded_while(tokio::time::timeout(within, asking)).await {
        Ok(Ok(said)) => said,
        Ok(Err(_)) => Err(get::late(within)),
        Err(Panicked) => Err("gave what the program has a fault over".to_owned()),
    }
}

/// The address of a service without a slash at its end.
fn home<'a>(named: Option<&'a str>, of_service: Option<&'a str>, public: &'a str) -> &'a str {
    named.or(of_service).unwrap_or(public).trim_end_matches('/')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn an_answer_over_which_the_program_fails_is_none() {
        let read = async |answer: &str| {
            assert!(answer.is_empty(), "as it was told to");
            Ok(7)
        };
        assert_eq!(in_time(Asker::DEADLINE, read("")).await, Ok(7));
        let silent = in_time(Asker::DEADLINE, read("MM MM")).await;
        assert!(silent.is_err_and(|why| why.contains("fault")));
    }
}
