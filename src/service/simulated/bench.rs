//! The laboratory of a played night: method, calibration, run list, traces with known amounts.

use std::fmt::Write as _;
use std::fs;
use std::path::Path;
use std::sync::OnceLock;

use crate::method::{self, Method};
use crate::quant::calibration::{Calibration, Meta, Point};
use crate::random::Random;

/// A run and the pause behind it, s.
pub(super) const CYCLE_S: u64 = 210;
const RATE_HZ: f64 = 2.0;
const RUN_S: f64 = 180.0;
const SIGMA_S: f64 = 3.0;
const ACIDS: [(&str, f64); 2] = [("lactic acid", 1.2), ("acetic acid", 2.1)];
const RESPONSE: f64 = 60.0;

const METHOD: &str = r#"name = "organic acids in brine"

[conditions]
run_time_min = 3.0
overhead_min = 0.5
flow_ml_min = 0.6
injection_ul = 10.0
wavelength_nm = 210.0

[[analyte]]
name = "lactic acid"
retention_min = 1.2
window_min = 0.3
unit = "mmol/L"

[[analyte]]
name = "acetic acid"
retention_min = 2.1
window_min = 0.3
unit = "mmol/L"

[[level]]
name = "mid"
nominal = { "lactic acid" = 5.0, "acetic acid" = 5.0 }

[limits]
plates_min = 100
late_trace_min = 3.0
"#;

/// What an injection is and what is in its vial.
#[derive(Debug, Clone)]
pub(super) struct Injection {
    pub kind: &'static str,
    pub name: String,
    pub stem: String,
    pub series: &'static str,
    pub replicate: u64,
    pub mmol_l: [f64; 2],
    pub air: bool,
}

fn method() -> &'static Method {
    static METHOD_READ: OnceLock<Method> = OnceLock::new();
    METHOD_READ.get_or_init(|| method::file::parse(METHOD, Path::new("method.toml")).unwrap())
}

fn calibration() -> &'static str {
    static TEXT: OnceLock<String> = OnceLock::new();
    TEXT.get_or_init(|| {
        let mut points = Vec::new();
        for (analyte, _) in ACIDS {
            for (k, nominal) in [0.5, 2.0, 5.0, 10.0, 20.0].into_iter().enumerate() {
                let scatter = if k % 2 == 0 { 1.004 } else { 0.996 };
                points.push(Point {
                    level: format!("c{k}"),
                    analyte: analyte.to_owned(),
                    nominal,
                    area_mau_s: RESPONSE * nominal * scatter,
                    height_mau: None,
                    trace: format!("c{k}.csv"),
                    sha256: String::new(),
                });
            }
        }
        let method = method();
        let made = Calibration::fit(points, &method.analytes, method.fit, Meta::default());
        made.unwrap().to_toml(&method.limits)
    })
}

/// Writes method, calibration and configuration; gives the text of the last.
pub(super) fn lay_out(root: &Path, poll: bool) -> String {
    for folder in ["exports", "results", "state", "alive"] {
        fs::create_dir_all(root.join(folder)).unwrap();
    }
    fs::write(root.join("method.toml"), METHOD).unwrap();
    fs::write(root.join("calibration.toml"), calibration()).unwrap();
    let poll = if poll { "poll_s = 10\n" } else { "" };
    format!(
        "state_dir = \"state\"\nresults_dir = \"results\"\n\n[[station]]\nname = \"acids\"\nwatch = \"exports\"\nfiles = [\"*.csv\"]\nrun_list = \"exports/*.runlist.csv\"\nmethod = \"method.toml\"\ncalibration = \"calibration.toml\"\nsettle_s = 2\n{poll}\n[alert.heartbeat]\nfile = \"alive/alive.txt\"\nevery_s = 60\n"
    )
}

/// A queue: a blank, standards around every few samples, some of it out of its limits.
pub(super) fn queue(random: &mut Random, length: u64) -> Vec<Injection> {
    let mut out: Vec<Injection> = Vec::new();
    let every = 3 + random.below(4);
    for k in 0..length {
        let kind = match k {
            0 => "blank",
            k if k == 1 || k % every == 1 || k + 1 == length => "standard",
            _ => "sample",
        };
        let odd = random.below(12);
        let mmol_l = match (kind, odd) {
            ("blank", 0) => [2.0, 0.0],
            ("blank", _) => [0.0, 0.0],
            ("standard", 0) => [3.0, 5.0],
            ("standard", 1) => [0.0, 5.0],
            ("standard", _) => [5.0, 5.0],
            (_, 0) => [40.0, 3.0],
            (_, 1) => [0.1, 3.0],
            (_, 2) => [0.0, 3.0],
            _ => [random.between(1.0, 15.0), random.between(1.0, 15.0)],
        };
        let series = match kind {
            "sample" => ["crock A", "crock B"][usize::from(k % 4 >= 2)],
            _ => "",
        };
        out.push(Injection {
            kind,
            name: format!("{kind} {}", k + 1),
            stem: format!("crocks-{:02}", k + 1),
            series,
            replicate: k,
            mmol_l,
            air: random.below(25) == 0,
        });
    }
    out
}

/// The run list of a queue.
pub(super) fn run_list(queue: &[Injection]) -> String {
    let mut out = String::from("position,kind,name,file,level,series,time_h,replicate\n");
    for (k, row) in queue.iter().enumerate() {
        let level = if row.kind == "standard" { "mid" } else { "" };
        let (time, replicate) = if row.series.is_empty() {
            (String::new(), String::new())
        } else {
            ("24".to_owned(), row.replicate.to_string())
        };
        let _ = writeln!(
            out,
            "{},{},{},{}.csv,{level},{},{time},{replicate}",
            k + 1,
            row.kind,
            row.name,
            row.stem,
            row.series
        );
    }
    out
}

/// The export of an injection. `version` changes the amounts a little.
pub(super) fn trace(row: &Injection, version: u64) -> String {
    let mut text = String::from("time_min,signal_mau\n");
    let mut noise = row
        .replicate
        .wrapping_mul(7919)
        .wrapping_add(version * 104_729)
        | 1;
    let count = (RUN_S * RATE_HZ) as u32;
    for k in 0..=count {
        let t = f64::from(k) / RATE_HZ;
        noise ^= noise << 13;
        noise ^= noise >> 7;
        noise ^= noise << 17;
        let mut signal = 1.0 + ((noise % 2001) as f64 / 1000.0 - 1.0) * 0.01;
        for ((_, at_min), mmol_l) in ACIDS.iter().zip(row.mmol_l) {
            let z = (t - at_min * 60.0) / SIGMA_S;
            let area = RESPONSE * mmol_l * (1.0 + 0.01 * version as f64);
            signal += area / (SIGMA_S * 2.506_628_274_631) * (-0.5 * z * z).exp();
        }
        if row.air && (20..110).contains(&k) && k % 9 == 0 {
            signal += 25.0 + f64::from(k % 7);
        }
        let _ = writeln!(text, "{:.5},{signal:.4}", t / 60.0);
    }
    text
}
