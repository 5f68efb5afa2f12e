//! Rows of a run list, in a few words.

/// One injection; positions and file names come from its place in the list.
#[derive(Clone, Default)]
pub struct Row {
    pub kind: &'static str,
    pub name: String,
    pub level: &'static str,
    pub series: String,
    pub time_h: String,
    pub replicate: String,
    pub dilution: String,
    pub volume_ul: String,
}

fn row(kind: &'static str, name: &str) -> Row {
    Row { kind, name: name.to_owned(), ..Row::default() }
}

pub fn blank() -> Row {
    row("blank", "eluent")
}

pub fn conditioning() -> Row {
    row("conditioning", "wake-up")
}

pub fn standard(level: &'static str) -> Row {
    Row { level, ..row("standard", "standard") }
}

pub fn calibrator(level: &'static str) -> Row {
    Row { level, ..row("calibrator", level) }
}

pub fn sample(name: &str) -> Row {
    row("sample", name)
}

/// A replicate of a crock on a day.
pub fn crock(name: &str, time_h: u32, replicate: u32) -> Row {
    Row {
        series: name.to_owned(),
        time_h: time_h.to_string(),
        replicate: replicate.to_string(),
        ..sample(&format!("{name} at {time_h} h"))
    }
}

impl Row {
    pub fn diluted(self, factor: u32) -> Row {
        Row { dilution: factor.to_string(), ..self }
    }

    pub fn volume(self, volume_ul: u32) -> Row {
        Row { volume_ul: volume_ul.to_string(), ..self }
    }
}

/// The list as CSV: positions from 1, files `PREFIX-01.csv` and so on.
pub fn csv(prefix: &str, rows: &[Row]) -> String {
    let mut out = String::from("position,tray,vial,kind,name,file,volume_ul,dilution,level,series,time_h,replicate\n");
    for (k, r) in (1..).zip(rows) {
        out += &format!(
            "{k},1,{k},{},{},{prefix}-{k:02}.csv,{},{},{},{},{},{}\n",
            r.kind, r.name, r.volume_ul, r.dilution, r.level, r.series, r.time_h, r.replicate
        );
    }
    out
}
