//! Mapping: what is in use to read a line and to tell receivers: dialect, strips with their ladders, references, codes.
//! It is read alone: files are changed as files.

use std::sync::Arc;

use askama::Template;
use axum::extract::Path;
use axum::http::StatusCode;
use axum::response::Response;
use wickline_normalize::strip::{Pad, Rung, Sense};
use wickline_normalize::{Figure, Grades, Interval, Reference, Strip, Units};

use crate::console::frame::{self, Frame};
use crate::console::halt::Halt;
use crate::console::here::Here;
use crate::seen::visible;
use crate::settings::bench::{Analyzer, Target};

/// One step of a ladder.
struct Step {
    grade: String,
    text: String,
    conventional: String,
    si: String,
    sense: &'static str,
}

/// One pad.
struct Ladder {
    id: String,
    title: String,
    conventional: String,
    si: String,
    reference: String,
    steps: Vec<Step>,
}

/// One strip.
struct StripOf {
    name: String,
    pads: Vec<Ladder>,
}

/// What one receiver is told in.
struct Told {
    id: String,
    facts: Vec<(&'static str, String)>,
}

#[derive(Template)]
#[template(path = "console/mapping.html")]
struct Page {
    frame: Frame,
    analyzers: Vec<String>,
    id: String,
    dialect: String,
    prints: &'static str,
    strips: Vec<StripOf>,
    receivers: Vec<Told>,
}

impl Page {
    fn t(&self, place: &str) -> &'static str {
        self.frame.t(place)
    }
}

/// `GET /mapping`
pub async fn page(here: Here) -> Result<Response, Halt> {
    match here.bench.analyzers.first().map(|one| one.id.clone()) {
        Some(id) => one(here, Path(id)).await,
        None => Err(Halt::lost(here.language)),
    }
}

/// `GET /mapping/bench-1`
pub async fn one(here: Here, Path(id): Path<String>) -> Result<Response, Halt> {
    let bench = here.bench.clone();
    let Some(analyzer) = bench.analyzer(&id) else { return Err(Halt::lost(here.language)) };
    let strip = |strip: &Strip| StripOf {
        name: format!("{} ({})", visible(&strip.name), strip.id),
        pads: strip.pads.iter().map(|pad| ladder(&here, analyzer, pad)).collect(),
    };
    let page = Page {
        analyzers: bench.analyzers.iter().map(|one| one.id.clone()).collect(),
        dialect: analyzer.dialect.name().to_owned(),
        prints: here.t(system(analyzer.rules.print_units)),
        strips: analyzer.strips.iter().map(strip).collect(),
        receivers: receivers(&here, &id),
        id,
        frame: Frame::of(&here, "mapping").await?,
    };
    Ok(frame::shown(&here, StatusCode::OK, page.render()))
}

fn system(units: Units) -> &'static str {
    match units {
        Units::Conventional => "mapping.conventional",
        Units::Si => "mapping.si",
    }
}

fn grades(grades: Grades) -> &'static str {
    match grades {
        Grades::Beside => "mapping.beside",
        Grades::Only => "mapping.alone",
        Grades::Never => "mapping.none",
    }
}

fn figure(figure: Option<&Figure>) -> String {
    figure.map_or(String::new(), Figure::text)
}

fn ladder(here: &Here, analyzer: &Analyzer, pad: &Pad) -> Ladder {
    let unit = |units| pad.measure(units).map_or(String::new(), |m| m.unit.text.to_owned());
    let step = |rung: &Rung| Step {
        grade: visible(rung.grade.as_deref().unwrap_or("")),
        text: visible(&rung.text),
        conventional: figure(rung.conventional.as_ref()),
        si: figure(rung.si.as_ref()),
        sense: here.t(match rung.sense {
            Sense::Normal => "mapping.normal",
            Sense::Abnormal => "mapping.abnormal",
            Sense::Policy => "mapping.policy",
            Sense::Range => "mapping.range",
        }),
    };
    let between = |all: &Vec<Interval>| {
        let one = |i: &Interval| format!("{} – {}", i.low.text(), i.high.text());
        all.iter().map(one).collect::<Vec<_>>().join("; ")
    };
    let reference = analyzer.rules.references.get(&pad.id);
    Ladder {
        id: pad.id.clone(),
        title: visible(&pad.title),
        conventional: unit(Units::Conventional),
        si: unit(Units::Si),
        reference: reference.map_or(String::new(), |reference| match reference {
            Reference::AtMost(grade) => here.language.say("mapping.at_most", &[("grade", grade)]),
            Reference::Between(all) => between(all),
        }),
        steps: pad.rungs.iter().map(step).collect(),
    }
}

fn receivers(here: &Here, analyzer: &str) -> Vec<Told> {
    let own = here.bench.targets.iter().filter(|t| t.analyzers.iter().any(|a| a == analyzer));
    let told = |target: &Arc<Target>| Told {
        id: target.id.clone(),
        facts: vec![
            (here.t("mapping.version"), target.layout.version.text().to_owned()),
            (here.t("mapping.units"), here.t(system(target.choice.units)).to_owned()),
            (here.t("mapping.grades"), here.t(grades(target.choice.grades)).to_owned()),
        ],
    };
    own.map(told).collect()
}
