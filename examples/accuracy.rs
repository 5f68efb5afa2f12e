//! Integrates every simulated trace of a folder and prints its peaks, for the accuracy table of `tests/accuracy`.
//!
//! `cargo run --release --example accuracy -- FOLDER`. Each file `NAME.f64` of the folder holds little-endian doubles:
//! samples per second, samples of a trace, number of traces, then the samples of one trace after the other, mAU. Time
//! starts at 0. Nothing is told about the traces: the widths and the noise are found as they are in a laboratory.

use std::fs;
use std::io::{BufWriter, Write};
use std::path::Path;

use anyhow::{Context, bail};
use runsitter::signal::{Params, Profile, integrate};

fn main() -> anyhow::Result<()> {
    let folder = std::env::args_os()
        .nth(1)
        .context("the folder of the traces is missing")?;
    let mut files = Vec::new();
    for entry in fs::read_dir(&folder).context("the folder cannot be read")? {
        let path = entry?.path();
        if path.extension().is_some_and(|e| e == "f64") {
            files.push(path);
        }
    }
    files.sort();
    let mut out = BufWriter::new(std::io::stdout().lock());
    writeln!(
        out,
        "file,trace,apex_s,area_mau_s,height_mau,start_s,end_s,signal_to_noise,rule,fitted_area_mau_s"
    )?;
    for file in files {
        one_file(&file, &mut out)?;
    }
    out.flush()?;
    Ok(())
}

/// Prints the peaks of all traces of a file.
fn one_file(path: &Path, out: &mut impl Write) -> anyhow::Result<()> {
    let values = doubles(path)?;
    let [rate_hz, points, traces, samples @ ..] = values.as_slice() else {
        bail!("{}: shorter than its head", path.display());
    };
    let points = *points as usize;
    if points == 0 || samples.len() != points * *traces as usize {
        bail!("{}: its head does not fit its length", path.display());
    }
    let time_s: Vec<f64> = (0..points).map(|i| i as f64 / rate_hz).collect();
    let name = path.file_stem().unwrap_or_default().to_string_lossy();
    for (trace, signal) in samples.chunks_exact(points).enumerate() {
        let mut params = Params::default();
        params.steering.fit_all = true;
        let profile = integrate(&time_s, signal, &params);
        rows(&name, trace, &profile, out)?;
    }
    Ok(())
}

fn doubles(path: &Path) -> anyhow::Result<Vec<f64>> {
    let bytes = fs::read(path).with_context(|| format!("{} cannot be read", path.display()))?;
    let (words, rest) = bytes.as_chunks::<8>();
    if !rest.is_empty() {
        bail!("{}: no whole number of doubles", path.display());
    }
    Ok(words.iter().map(|w| f64::from_le_bytes(*w)).collect())
}

fn rows(name: &str, trace: usize, profile: &Profile, out: &mut impl Write) -> anyhow::Result<()> {
    for p in &profile.peaks {
        writeln!(
            out,
            "{name},{trace},{},{},{},{},{},{},{},{}",
            p.apex_s,
            p.area_mau_s,
            p.height_mau,
            p.start_s,
            p.end_s,
            p.signal_to_noise,
            p.rule.words(),
            p.fitted
                .as_ref()
                .map(|f| f.area_mau_s.to_string())
                .unwrap_or_default()
        )?;
    }
    Ok(())
}
