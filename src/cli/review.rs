//! `review`: judges a plan without filing it.

use std::fs;
use std::path::{Path, PathBuf};

use chrono::Utc;
use clap::Args;

use super::exit::{Done, Exit, Failure};
use super::{assemble, plan_file, print};
use crate::chart;
use crate::plan::Plan;
use crate::review;
use crate::shoreline::{Shorelines, judge_route};

/// Judge a plan, of any date, without filing it; needs no running service
#[derive(Debug, Args)]
pub(super) struct Review {
    /// The plan, TOML or JSON
    plan: PathBuf,
    /// Print the review as JSON
    #[arg(long)]
    json: bool,
    /// Draw the route and the shore around it, as .svg or .png by the file's ending
    #[arg(long, value_name = "FILE")]
    chart: Option<PathBuf>,
}

impl Review {
    pub(super) async fn run(self, config: &Path) -> Done {
        let settings = assemble::settings(config)?;
        let plan = plan_file::read(&self.plan)?;
        let form = self.chart.as_deref().map(Form::of).transpose()?;
        let judge = assemble::judge(&settings, config)?;
        let review = judge.review(&plan, Utc::now).await;
        if let (Some(path), Some(form)) = (&self.chart, form) {
            draw(&judge.shores, &plan, form, path)?;
        }
        if !self.json {
            return print::say(review::text(&review, &plan).trim_end());
        }
        let document = serde_json::to_value(&review)
            .map_err(|error| Failure::new(Exit::Software, format!("no JSON: {error}")))?;
        print::say_json(&document)
    }
}

/// What a chart is written as.
#[derive(Clone, Copy)]
enum Form {
    Svg,
    Png,
}

impl Form {
    fn of(path: &Path) -> Done<Form> {
        let ending = path.extension().and_then(|ending| ending.to_str()).unwrap_or_default();
        match ending.to_ascii_lowercase().as_str() {
            "svg" => Ok(Form::Svg),
            "png" => Ok(Form::Png),
            _ => Err(Failure::new(
                Exit::Usage,
                format!("{}: a chart is written as .svg or .png", path.display()),
            )),
        }
    }
}

fn draw(shores: &Shorelines, plan: &Plan, form: Form, path: &Path) -> Done {
    let route = plan.route();
    let title = plan.title.as_deref().unwrap_or("A trip without a title");
    let svg = chart::svg(shores, &route, &judge_route(shores, &route), title);
    let picture = svg.and_then(|svg| match form {
        Form::Svg => Some(svg.into_bytes()),
        Form::Png => chart::png(&svg),
    });
    let picture =
        picture.ok_or_else(|| Failure::new(Exit::Software, "this route can't be drawn"))?;
    fs::write(path, picture).map_err(|error| {
        Failure::new(Exit::CantCreate, format!("{} can't be written: {error}", path.display()))
    })
}
