//! Options that go before the method's rules.

use crate::config::error::quoted;
use crate::method::Method;
use crate::method::plan::{MOST_TIMES, Plan, ReplicateOrder, known_level};
use crate::plan::template::Template;
use crate::plan::tray::{MOST_SIDE, MOST_TRAYS, Tray};
use crate::text::nearest;

#[derive(Debug, clap::Args)]
pub(super) struct Options {
    /// What a sample is called, from columns: "{crock} day {day}" (name)
    #[arg(long, value_name = "TEMPLATE")]
    name: Option<String>,
    /// What its file is called: columns, and {queue}, {position}, {kind}, {name}, {tray}, {vial}, {date}, {replicate} (file)
    #[arg(long, value_name = "TEMPLATE")]
    file_name: Option<String>,
    /// A column of the sheet and what it means: series=crock, time_d=day (columns); may be given several times
    #[arg(long, value_name = "MEANING=COLUMN")]
    column: Vec<String>,
    /// Levels injected as calibrators before the samples: L1,L2=2 (L2 twice), all or none (calibrators)
    #[arg(long, value_name = "LEVELS")]
    calibrators: Option<String>,
    /// Levels of the standards in the order in which they take turns: mid,high (standard_levels)
    #[arg(long, value_name = "LEVELS")]
    standards: Option<String>,
    /// Conditioning injections at the beginning (conditioning)
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(0..=100))]
    conditioning: Option<u64>,
    /// Injections of each sample (replicates)
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(1..=1000))]
    replicates: Option<u64>,
    /// Replicates come one after another, or all samples once and then all again (replicate_order)
    #[arg(long, value_name = "ORDER", value_parser = ["sequence", "spread"])]
    replicate_order: Option<String>,
    /// Sample injections after which a checkpoint of standards comes (samples_between)
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(1..=1000))]
    every: Option<u64>,
    /// The samples of each bracket in random order (random_order)
    #[arg(long)]
    random: bool,
    /// The same, by this seed: the same number gives the same order
    #[arg(long, value_name = "N")]
    pub(super) seed: Option<u64>,
    /// Rows and columns of a tray, and how many trays: 6x8, 6x8x2 (tray)
    #[arg(long, value_name = "ROWSxCOLUMNS")]
    tray: Option<String>,
    /// Places in the trays that are taken, beside those of the method: A1,B2-B4,2:C1 (tray.taken)
    #[arg(long, value_name = "PLACES")]
    taken: Option<String>,
}

impl Options {
    /// The method's rules with these before them.
    ///
    /// # Errors
    /// The option, what was found and what was expected.
    pub(super) fn apply(&self, method: &Method) -> Result<Plan, String> {
        let mut rules = method.plan.clone();
        let template = |option: &str, text: &String| {
            Template::parse(text).map_err(|m| format!("--{option}: {m}"))
        };
        if let Some(text) = &self.name {
            rules.name = template("name", text)?;
        }
        if let Some(text) = &self.file_name {
            rules.file = template("file-name", text)?;
        }
        for text in &self.column {
            column(&mut rules, text).map_err(|m| format!("--column: {m}"))?;
        }
        if let Some(text) = &self.calibrators {
            rules.calibrators =
                calibrators(text, method).map_err(|m| format!("--calibrators: {m}"))?;
        }
        if let Some(text) = &self.standards {
            rules.standard_levels = text
                .split(',')
                .map(|name| level(name, method))
                .collect::<Result<_, _>>()
                .map_err(|m| format!("--standards: {m}"))?;
        }
        rules.conditioning = self.conditioning.unwrap_or(rules.conditioning);
        rules.replicates = self.replicates.unwrap_or(rules.replicates);
        rules.samples_between = self.every.unwrap_or(rules.samples_between);
        rules.replicate_order = match self.replicate_order.as_deref() {
            Some("spread") => ReplicateOrder::Spread,
            Some(_) => ReplicateOrder::Sequence,
            None => rules.replicate_order,
        };
        rules.random_order |= self.random || self.seed.is_some();
        if let Some(text) = &self.tray {
            rules.tray = Some(tray(text, rules.tray.take()).map_err(|m| format!("--tray: {m}"))?);
        }
        if let Some(text) = &self.taken {
            taken(&mut rules, text).map_err(|m| format!("--taken: {m}"))?;
        }
        Ok(rules)
    }
}

fn level(name: &str, method: &Method) -> Result<String, String> {
    let name = name.trim();
    known_level(name, &method.levels).map_err(|e| format!("found {}, expected {e}", quoted(name)))
}

fn calibrators(text: &str, method: &Method) -> Result<Vec<(String, u64)>, String> {
    match text.trim() {
        "none" => return Ok(Vec::new()),
        "all" => return Ok(method.levels.iter().map(|l| (l.name.clone(), 1)).collect()),
        _ => {}
    }
    let one = |part: &str| {
        let (name, times) = match part.rsplit_once('=') {
            None => (part, 1),
            Some((name, times)) => {
                let times = times.trim().parse().ok();
                let times = times.filter(|n| (1..=MOST_TIMES).contains(n)).ok_or_else(|| {
                    format!(
                        "found {}, expected a level and how often, from 1 to {MOST_TIMES}: L1=2",
                        quoted(part)
                    )
                })?;
                (name, times)
            }
        };
        Ok((level(name, method)?, times))
    };
    text.split(',').map(one).collect()
}

fn column(rules: &mut Plan, text: &str) -> Result<(), String> {
    const MEANINGS: [&str; 8] = [
        "series",
        "time_h",
        "time_d",
        "dilution",
        "volume_ul",
        "replicate",
        "tray",
        "vial",
    ];
    let wrong = |near: Option<&str>| {
        let near = near
            .map(|n| format!("; the nearest is {n}"))
            .unwrap_or_default();
        format!(
            "found {}, expected {}, each with =COLUMN{near}",
            quoted(text),
            MEANINGS.join(", ")
        )
    };
    let Some((meaning, name)) = text.split_once('=') else {
        return Err(wrong(None));
    };
    let name = Some(name.trim().to_owned()).filter(|n| !n.is_empty());
    let name = name.ok_or_else(|| wrong(None))?;
    let columns = &mut rules.columns;
    let place = match meaning.trim() {
        "series" => &mut columns.series,
        "time_h" => {
            columns.time_d = None;
            &mut columns.time_h
        }
        "time_d" => {
            columns.time_h = None;
            &mut columns.time_d
        }
        "dilution" => &mut columns.dilution,
        "volume_ul" => &mut columns.volume_ul,
        "replicate" => &mut columns.replicate,
        "tray" => &mut columns.tray,
        "vial" => &mut columns.vial,
        other => return Err(wrong(nearest(other, MEANINGS))),
    };
    *place = Some(name);
    Ok(())
}

/// A tray of this shape; places keep their labels and what is taken only where the method's tray has the same shape.
fn tray(text: &str, of_method: Option<Tray>) -> Result<Tray, String> {
    let wrong = || {
        format!(
            "found {}, expected ROWSxCOLUMNS or ROWSxCOLUMNSxTRAYS, at most {MOST_SIDE}x{MOST_SIDE}x{MOST_TRAYS}",
            quoted(text)
        )
    };
    let sides: Option<Vec<u64>> = text
        .split(['x', 'X', '×'])
        .map(|side| {
            side.trim()
                .parse()
                .ok()
                .filter(|n| (1..=MOST_SIDE).contains(n))
        })
        .collect();
    let (rows, columns, trays) = match sides.as_deref() {
        Some([rows, columns]) => (*rows, *columns, 1),
        Some([rows, columns, trays]) if *trays <= MOST_TRAYS => (*rows, *columns, *trays),
        _ => return Err(wrong()),
    };
    let labels = of_method.as_ref().map(|t| t.labels).unwrap_or_default();
    let same = of_method.filter(|t| (t.rows, t.columns) == (rows, columns));
    Ok(Tray {
        rows,
        columns,
        trays,
        labels,
        taken: same.map(|t| t.taken).unwrap_or_default(),
    })
}

fn taken(rules: &mut Plan, text: &str) -> Result<(), String> {
    let Some(tray) = &mut rules.tray else {
        return Err(format!(
            "found {}, expected a tray to go with it: describe it with --tray ROWSxCOLUMNS or in [plan.tray] of the method",
            quoted(text)
        ));
    };
    for part in text.split(',') {
        let places = tray.read_taken(part.trim())?;
        tray.taken.extend(places);
    }
    Ok(())
}
