//! `shoreline import` and `shoreline inspect`: makes a pack of shoreline data, and looks into one.

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand, ValueEnum};
use indicatif::{ProgressBar, ProgressStyle};

use super::exit::{Done, Exit, Failure};
use super::print;
use crate::measure::Position;
use crate::packs::{self, Covers, ImportError, OpenError, Source};
use crate::shoreline::{About, Crossings, Land, LandIs, Nearest, Packed, Shoreline as Data};

/// Import shoreline data, and look into it
#[derive(Debug, Subcommand)]
pub(super) enum Shoreline {
    Import(Import),
    Inspect(Inspect),
}

/// Make a pack of shoreline data: GeoJSON, ESRI shapefiles in degrees, or GSHHG's raw rings
#[derive(Debug, Args)]
pub(super) struct Import {
    /// The files; together they are one shoreline
    #[arg(required = true)]
    files: Vec<PathBuf>,
    /// The pack to write; one that is there is replaced
    #[arg(long, value_name = "PACK")]
    out: PathBuf,
    /// What people will read that the shore is from
    #[arg(long)]
    name: String,
    /// How far this shore may lie from the true one, such as 250m
    #[arg(long, value_name = "DISTANCE", value_parser = metres)]
    accuracy: f64,
    /// The same for lakes and what is in them, where they are worse
    #[arg(long, value_name = "DISTANCE", value_parser = metres)]
    lake_accuracy: Option<f64>,
    /// The licence of the data
    #[arg(long, default_value = "")]
    licence: String,
    /// Whom the licence asks to name; it stands on every chart
    #[arg(long, default_value = "")]
    attribution: String,
    /// Which side of the polygons is land; GSHHG's rings know it themselves
    #[arg(long, value_enum, default_value = "inside")]
    land_is: Side,
    /// What the data covers, if it does not say so itself: WEST,SOUTH,EAST,NORTH or earth
    #[arg(long, value_name = "BOX", allow_hyphen_values = true)]
    covers: Option<Covers>,
    /// Import even if rings cross; beside a crossing, land and water may be taken for each other
    #[arg(long)]
    accept_crossings: bool,
}

/// Say what a pack or GeoJSON holds, and what it knows of a place
#[derive(Debug, Args)]
pub(super) struct Inspect {
    /// The pack
    pack: PathBuf,
    /// A position to ask it about
    #[arg(long, value_name = "POSITION", allow_hyphen_values = true)]
    at: Option<Position>,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Side {
    /// The polygons are land
    Inside,
    /// The polygons are water
    Outside,
}

impl Shoreline {
    pub(super) async fn run(self) -> Done {
        match self {
            Shoreline::Import(import) => import.run(),
            Shoreline::Inspect(inspect) => inspect.run(),
        }
    }
}

impl Import {
    fn run(self) -> Done {
        let land = self.read()?;
        let step = waiting("looking for rings that cross");
        self.judge(&land.crossings())?;
        step.set_message("packing");
        let bad = |why| Failure::new(Exit::BadData, format!("the data {why}"));
        let packed = Packed::of_land(&land).map_err(bad)?;
        step.set_message("writing");
        let about = About {
            name: self.name.clone(),
            licence: self.licence.clone(),
            attribution: self.attribution.clone(),
            accuracy_m: self.accuracy,
            lake_accuracy_m: self.lake_accuracy,
            coverage: land.coverage(),
        };
        packs::write(&self.out, &packed, &about).map_err(|why| {
            Failure::new(
                Exit::CantCreate,
                format!("{} can't be written: {why}", self.out.display()),
            )
        })?;
        step.finish_and_clear();
        let written = open(&self.out)?;
        print::say(told(&written))
    }

    fn read(&self) -> Done<Land> {
        let land_is = match self.land_is {
            Side::Inside => LandIs::Inside,
            Side::Outside => LandIs::Outside,
        };
        let source = Source { files: &self.files, land_is, covers: self.covers };
        let bar = ProgressBar::new(0).with_style(style("{bar:30} {bytes} of {total_bytes}"));
        let land = packs::read_land(&source, &bar).map_err(|why| {
            let exit = match why {
                ImportError::Unreadable { .. } => Exit::NoInput,
                ImportError::CoversWhat(_) | ImportError::Nothing => Exit::Usage,
                _ => Exit::BadData,
            };
            Failure::new(exit, why)
        });
        bar.finish_and_clear();
        land
    }

    fn judge(&self, crossings: &Crossings) -> Done {
        if crossings.count == 0 {
            return Ok(());
        }
        let places: Vec<String> =
            crossings.places.iter().map(|place| place.degrees_minutes()).collect();
        let words = format!(
            "edges of the data cross at {} places, among them {}",
            crossings.count,
            places.join(", ")
        );
        if self.accept_crossings {
            print::complain(format!("{words}; beside them land and water may be mixed up"));
            return Ok(());
        }
        let mend = "mend the data, or accept that land and water may be mixed up beside them with \
                    `--accept-crossings`";
        Err(Failure::new(Exit::BadData, format!("{words}; {mend}")))
    }
}

impl Inspect {
    fn run(self) -> Done {
        let data = open(&self.pack)?;
        print::say(told(&data))?;
        let Some(at) = self.at else { return Ok(()) };
        match data.nearest(at) {
            None => print::say(format!("\n{}: there is no data here.", at.degrees_minutes())),
            Some(nearest) => print::say(found(at, &nearest)),
        }
    }
}

fn open(path: &Path) -> Done<Data> {
    // A GeoJSON file's accuracy stands in the settings, not in it.
    packs::open(path, 0.0).map_err(|why| {
        let exit = match why {
            OpenError::Unreadable { .. } => Exit::NoInput,
            _ => Exit::BadData,
        };
        Failure::new(exit, why)
    })
}

fn told(data: &Data) -> String {
    let about = data.about();
    let covers = match about.coverage {
        None => "the whole earth".to_owned(),
        Some(coverage) => {
            let [west, south, east, north] = coverage.bbox();
            format!("{south} to {north} north, {west} to {east} east, in degrees")
        }
    };
    let lakes = about.lake_accuracy_m.map_or_else(String::new, |m| format!(", lakes {m} m"));
    let or_none =
        |text: &str| if text.is_empty() { "not said".to_owned() } else { print::plain(text) };
    format!(
        "Name         {}\nLicence      {}\nAttribution  {}\nAccuracy     {} m{lakes}\nCovers       \
         {covers}\nHolds        {} edges of shore in {:.1} MB",
        or_none(&about.name),
        or_none(&about.licence),
        or_none(&about.attribution),
        about.accuracy_m,
        data.edges(),
        data.size_bytes() as f64 / 1e6,
    )
}

fn found(at: Position, nearest: &Nearest) -> String {
    let side = if nearest.on_land { "on land by this data" } else { "on water" };
    let cut = match nearest.cut_m {
        Some(cut_m) if cut_m < nearest.distance_m => {
            format!("\nThe data ends {cut_m:.0} m away: there may be nearer shore.")
        }
        _ => String::new(),
    };
    format!(
        "\n{}: {side}. The nearest shore is {:.0} m away, at most {:.0} m, bearing {:03.0}, at \
         {}.{cut}",
        at.degrees_minutes(),
        nearest.distance_m,
        nearest.at_most_m(),
        nearest.bearing_deg,
        nearest.shore.degrees_minutes(),
    )
}

/// `250m`, `1.3 km`.
fn metres(text: &str) -> Result<f64, &'static str> {
    let (number, unit_m) = match (text.strip_suffix("km"), text.strip_suffix('m')) {
        (Some(number), _) => (number, 1000.0),
        (None, Some(number)) => (number, 1.0),
        (None, None) => return Err("write it with its unit, such as 250m or 1.3km"),
    };
    match number.trim().parse::<f64>() {
        Ok(number) if (0.0..=1e6).contains(&(number * unit_m)) => Ok(number * unit_m),
        _ => Err("is no such distance; write it like 250m or 1.3km"),
    }
}

fn waiting(message: &'static str) -> ProgressBar {
    let spinner =
        ProgressBar::new_spinner().with_style(style("{spinner} {msg}")).with_message(message);
    spinner.enable_steady_tick(std::time::Duration::from_millis(120));
    spinner
}

/// The templates are constants; should one be wrong, the bar still moves.
fn style(template: &str) -> ProgressStyle {
    ProgressStyle::with_template(template).unwrap_or_else(|_| ProgressStyle::default_bar())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn distances_with_their_unit() {
        assert_eq!(metres("250m"), Ok(250.0));
        assert_eq!(metres("1.3 km"), Ok(1300.0));
        for wrong in ["250", "m", "-1m", "nanm", "1e9km", ""] {
            assert!(metres(wrong).is_err(), "{wrong}");
        }
    }
}
