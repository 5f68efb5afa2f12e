//! Steps of a plan become injections: positions, vials, names and files.

use std::borrow::Cow;
use std::collections::HashMap;

use crate::config::error::{FileError, quoted};
use crate::method::Method;
use crate::method::plan::Plan;
use crate::runlist::cells::LONGEST_CELL;
use crate::runlist::{Injection, Kind};

use super::SHUTDOWN;
use super::make::{Request, Step};
use super::name::Stems;
use super::sample::{Sample, Samples};
use super::sheet::{Sheet, tidy};
use super::template::Template;
use super::vials::{Content, Rack};

/// Gives injections their positions, vials, names and files.
pub(super) struct Writer<'p> {
    sheet: &'p Sheet,
    samples: &'p Samples,
    rules: &'p Plan,
    request: &'p Request,
    method: &'p Method,
    /// Digits of a position in names.
    width: usize,
    /// Samples are series of their own.
    own_series: bool,
    stems: Stems,
    /// Lines of the samples named so far, by what tells them apart.
    names: HashMap<Identity, u64>,
}

/// What tells two samples apart in the results: name, series, time, replicate, dilution.
type Identity = (String, String, Option<u64>, String, u64);

impl<'p> Writer<'p> {
    /// For a queue of so many injections.
    pub(super) fn new(
        sheet: &'p Sheet,
        samples: &'p Samples,
        rules: &'p Plan,
        request: &'p Request,
        method: &'p Method,
        injections: usize,
    ) -> Writer<'p> {
        Writer {
            sheet,
            samples,
            rules,
            request,
            method,
            width: injections.to_string().len().max(2),
            own_series: rules.replicates > 1 && !samples.has_series,
            stems: Stems::default(),
            names: HashMap::new(),
        }
    }

    /// What was changed or taken for granted.
    pub(super) fn into_notes(self) -> Vec<String> {
        let own_series = self.own_series.then(|| {
            "there is no column series: each sample is a series of its own, so that its replicates are averaged".to_owned()
        });
        own_series
            .into_iter()
            .chain(self.stems.into_notes())
            .collect()
    }

    /// The injection at a position.
    ///
    /// # Errors
    /// A name or file that cannot be, or is there already.
    pub(super) fn injection(
        &mut self,
        position: u64,
        step: &Step,
        rack: &mut Rack,
    ) -> Result<Injection, FileError> {
        let vial = rack.draw(&step.content);
        let mut injection = Injection {
            position,
            tray: vial.tray,
            vial: vial.vial,
            kind: step.kind,
            name: String::new(),
            stem: String::new(),
            volume_ul: self.method.conditions.injection_ul,
            dilution: 1.0,
            level: match &step.content {
                Content::Level(level) => level.clone(),
                _ => String::new(),
            },
            series: String::new(),
            time_h: None,
            replicate: String::new(),
            extra: vec![String::new(); self.samples.extra.len()],
        };
        let sample = match &step.content {
            Content::Sample(s) => self.samples.all.get(*s),
            _ => None,
        };
        match sample {
            Some(sample) => self.sample(&mut injection, sample, step.replicate)?,
            None => self.other(&mut injection, step)?,
        }
        Ok(injection)
    }

    fn sample(
        &mut self,
        injection: &mut Injection,
        sample: &Sample,
        replicate: u64,
    ) -> Result<(), FileError> {
        let line = self.sheet.rows.get(sample.row).map_or(0, |r| r.line);
        injection.replicate = if self.rules.replicates > 1 {
            replicate.to_string()
        } else {
            sample.replicate.clone()
        };
        injection.time_h = sample.time_h;
        injection.dilution = sample.dilution;
        injection.volume_ul = sample.volume_ul.or(injection.volume_ul);
        injection.extra.clone_from(&sample.extra);
        let name = self.fill(&self.rules.name, injection, Some(sample));
        injection.name = tidy(&name);
        self.check_name(injection, line)?;
        injection.series = if self.own_series {
            injection.name.clone()
        } else {
            sample.series.clone()
        };
        let file = self.fill(&self.rules.file, injection, Some(sample));
        injection.stem = self.stems.give(&file, Some(line), self.sheet)?;
        self.tell_apart(injection, line)
    }

    fn other(&mut self, injection: &mut Injection, step: &Step) -> Result<(), FileError> {
        injection.name = match injection.kind {
            _ if step.shutdown => SHUTDOWN.to_owned(),
            Kind::Blank | Kind::Conditioning => injection.kind.word().to_owned(),
            _ => tidy(&injection.level),
        };
        let file = self.fill(&self.rules.other_file, injection, None);
        injection.stem = self.stems.give(&file, None, self.sheet)?;
        Ok(())
    }

    /// A template with the values of an injection.
    fn fill(&self, template: &Template, injection: &Injection, sample: Option<&Sample>) -> String {
        let row = sample.and_then(|s| self.sheet.rows.get(s.row));
        template.fill(|field| {
            let own: Option<Cow<'_, str>> = match field {
                "queue" => Some(self.request.queue.as_str().into()),
                "position" => Some(format!("{:0w$}", injection.position, w = self.width).into()),
                "kind" => Some(injection.kind.word().into()),
                "tray" => Some(injection.tray.as_str().into()),
                "vial" => Some(injection.vial.as_str().into()),
                // Once there is a name, it is the name.
                "name" if !injection.name.is_empty() => Some(injection.name.as_str().into()),
                _ => None,
            };
            own.or_else(|| {
                let column = self.sheet.column(field)?;
                let cell = row?.cells.get(column)?;
                Some(cell.as_str().into())
            })
            .or_else(|| match field {
                "date" => Some(self.request.date.as_str().into()),
                "replicate" => Some(injection.replicate.as_str().into()),
                _ => None,
            })
        })
    }

    fn check_name(&self, injection: &Injection, line: u64) -> Result<(), FileError> {
        let name = &injection.name;
        if name.is_empty() {
            let template = quoted(self.rules.name.text());
            return Err(self.sheet.error(
                line,
                format!("found nothing for the name {template}, expected a name"),
            ));
        }
        if name.len() > LONGEST_CELL {
            let found = quoted(name);
            let message = format!("found the name {found}, expected at most {LONGEST_CELL} bytes");
            return Err(self.sheet.error(line, message));
        }
        Ok(())
    }

    /// Two rows that nothing tells apart in the results are a slip.
    fn tell_apart(&mut self, injection: &Injection, line: u64) -> Result<(), FileError> {
        let identity = (
            injection.name.to_lowercase(),
            injection.series.to_lowercase(),
            injection.time_h.map(f64::to_bits),
            injection.replicate.to_lowercase(),
            injection.dilution.to_bits(),
        );
        match self.names.insert(identity, line) {
            Some(first) => {
                let name = quoted(&injection.name);
                let (first, line) = (first.min(line), first.max(line));
                Err(self.sheet.error(
                    line,
                    format!(
                        "found the sample {name} again after line {first}, expected another name, series, time, replicate or dilution"
                    ),
                ))
            }
            None => Ok(()),
        }
    }
}
