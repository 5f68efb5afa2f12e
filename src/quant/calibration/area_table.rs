//! Calibrator areas from a table `level,analyte,area_mau_s`.

use super::{CalibrationError, Point};
use crate::method::Method;
use crate::quant::units::factor;
use crate::text::{nearest, significant};

/// The columns that count, whatever their order and case.
const COLUMNS: [&str; 3] = ["level", "analyte", "area_mau_s"];

/// What a table gives.
#[derive(Debug, Clone, PartialEq)]
pub struct AreaTable {
    /// One for each row, in order.
    pub points: Vec<Point>,
    /// Things read as meant, worth saying: a decimal comma, columns left aside.
    pub notes: Vec<String>,
}

/// Why a table cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("line {line}{}: {message}", column.map(|c| format!(", column {c}")).unwrap_or_default())]
pub struct AreaTableError {
    /// Line in the file, from 1.
    pub line: usize,
    /// Column, from 1, where one is at fault.
    pub column: Option<usize>,
    /// What was found and what was expected.
    pub message: String,
}

fn fault(line: usize, column: Option<usize>, message: impl Into<String>) -> AreaTableError {
    AreaTableError {
        line,
        column,
        message: message.into(),
    }
}

/// Where the three columns stand, from 0, and how many the header has.
struct Header {
    delimiter: char,
    at: [usize; 3],
    /// Where `nominal` stands, if anywhere.
    nominal: Option<usize>,
    /// Where `unit` stands, if `nominal` does.
    unit: Option<usize>,
    width: usize,
}

impl AreaTable {
    /// Reads a table with a header row: columns `level`, `analyte`, `area_mau_s` (mAU·s) in any case and order, others
    /// left aside; comma, semicolon or tab between them; a decimal comma where the delimiter is no comma. Nominal
    /// concentrations come from the method, or from a column `nominal`, which then counts; a column `unit` beside it
    /// gives its unit where that is not the method's, and the nominals are converted. `trace` and `sha256` (file name and hash of the table) are kept with each point.
    ///
    /// # Errors
    /// The first line at fault: no header, an unknown level or analyte (the nearest known is named), a value that is
    /// no number, a unit that cannot be converted, too many or too few fields.
    pub fn read(
        text: &str,
        method: &Method,
        trace: &str,
        sha256: &str,
    ) -> Result<AreaTable, AreaTableError> {
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let mut notes = Vec::new();
        let mut header: Option<Header> = None;
        let mut points = Vec::new();
        let mut decimal_comma = false;
        for (line, row) in (1..).zip(text.lines()) {
            if row
                .chars()
                .all(|c| c.is_whitespace() || matches!(c, ',' | ';'))
            {
                continue;
            }
            match &header {
                None => header = Some(read_header(row, line, &mut notes)?),
                Some(header) => {
                    let cells = cells(header, row, line)?;
                    let (area, comma) = number(&cells[2], header.at[2], header, line)?;
                    decimal_comma |= comma;
                    let own = own_nominal(row, &cells, header, method, line)?;
                    let point = Point::of_method(method, &cells[0], &cells[1], area, trace, sha256);
                    points.push(match own {
                        Some(own) => {
                            own.point(point.ok(), &cells, area, [trace, sha256], &mut notes)
                        }
                        None => point.map_err(|e| {
                            let column = match e {
                                CalibrationError::UnknownLevel { .. } => header.at[0],
                                _ => header.at[1],
                            };
                            fault(line, Some(column + 1), e.to_string())
                        })?,
                    });
                }
            }
        }
        if header.is_none() {
            return Err(fault(
                1,
                None,
                "the table is empty; a header `level,analyte,area_mau_s` was expected",
            ));
        }
        if points.is_empty() {
            return Err(fault(1, None, "the table has a header and no rows"));
        }
        if decimal_comma {
            notes.push("areas with a decimal comma were read as numbers".to_owned());
        }
        Ok(AreaTable { points, notes })
    }
}

/// A nominal concentration that the table gives itself.
struct Own {
    /// In the method's unit.
    nominal: f64,
    /// The method's unit.
    unit: String,
    /// How it was converted, if it was.
    note: Option<String>,
}

impl Own {
    /// The point with this nominal; `known` is what the method makes of the row.
    fn point(
        self,
        known: Option<Point>,
        cells: &[String; 3],
        area_mau_s: f64,
        [trace, sha256]: [&str; 2],
        notes: &mut Vec<String>,
    ) -> Point {
        let [level, analyte, _] = cells;
        let differs = known
            .filter(|k| (k.nominal - self.nominal).abs() > 1e-9 * k.nominal)
            .map(|k| {
                format!(
                    "{level}, {analyte}: {} {} in the table, {} in the method: the table counts",
                    significant(self.nominal, 5),
                    self.unit,
                    significant(k.nominal, 5)
                )
            });
        for note in self.note.into_iter().chain(differs) {
            if !notes.contains(&note) {
                notes.push(note);
            }
        }
        Point {
            level: level.clone(),
            analyte: analyte.clone(),
            nominal: self.nominal,
            area_mau_s,
            height_mau: None,
            trace: trace.to_owned(),
            sha256: sha256.to_owned(),
        }
    }
}

/// The row's own nominal in the method's unit; `None` where the table gives none.
fn own_nominal(
    row: &str,
    cells: &[String; 3],
    header: &Header,
    method: &Method,
    line: usize,
) -> Result<Option<Own>, AreaTableError> {
    let fields = split(row, header.delimiter, line)?;
    let filled = |at: Option<usize>| {
        let field = fields.get(at?)?;
        (!field.is_empty()).then_some(field)
    };
    let Some((at, field)) = header.nominal.zip(filled(header.nominal)) else {
        return Ok(None);
    };
    let analyte = method.analytes.iter().find(|a| a.name == cells[1]);
    let Some(analyte) = analyte else {
        let error = super::unknown_analyte(&method.analytes, &cells[1]);
        return Err(fault(line, Some(header.at[1] + 1), error.to_string()));
    };
    let (value, _) = number(field, at, header, line)?;
    if value < 0.0 {
        let message = format!("a nominal concentration of {value} is below zero");
        return Err(fault(line, Some(at + 1), message));
    }
    let unit = filled(header.unit).unwrap_or(&analyte.unit);
    let by = factor(unit, &analyte.unit, analyte.molar_mass_g_mol)
        .map_err(|e| fault(line, header.unit.map(|u| u + 1), e.to_string()))?;
    let note = (*unit != analyte.unit).then(|| {
        format!(
            "{}: nominal concentrations in {unit} were converted to {} (times {})",
            analyte.name,
            analyte.unit,
            significant(by, 6)
        )
    });
    Ok(Some(Own {
        nominal: value * by,
        unit: analyte.unit.clone(),
        note,
    }))
}

fn read_header(row: &str, line: usize, notes: &mut Vec<String>) -> Result<Header, AreaTableError> {
    let delimiter = [';', '\t']
        .into_iter()
        .find(|d| row.contains(*d))
        .unwrap_or(',');
    let names: Vec<String> = split(row, delimiter, line)?
        .iter()
        .map(|n| n.to_lowercase())
        .collect();
    let mut at = [0; 3];
    for (place, column) in at.iter_mut().zip(COLUMNS) {
        let mut found = names
            .iter()
            .enumerate()
            .filter(|(_, n)| *n == column)
            .map(|(i, _)| i);
        let Some(first) = found.next() else {
            let others = || {
                names
                    .iter()
                    .map(String::as_str)
                    .filter(|n| !COLUMNS.contains(n))
            };
            // `area` alone is too far from `area_mau_s` to be a slip, and is what people write.
            let shortened = || {
                others().find(|n| {
                    n.len() > 2
                        && (column.starts_with(n)
                            || n.starts_with("area") && column.starts_with("area"))
                })
            };
            let hint = match nearest(column, others()).or_else(shortened) {
                Some(name) => format!("; is it `{name}`?"),
                None => String::new(),
            };
            return Err(fault(
                line,
                None,
                format!("the header has no column `{column}`{hint}"),
            ));
        };
        if let Some(second) = found.next() {
            return Err(fault(
                line,
                Some(second + 1),
                format!("the header has `{column}` twice"),
            ));
        }
        *place = first;
    }
    let nominal = names.iter().position(|n| n == "nominal");
    let unit = names
        .iter()
        .position(|n| n == "unit")
        .filter(|_| nominal.is_some());
    let aside: Vec<String> = names
        .iter()
        .enumerate()
        .filter(|(i, n)| {
            !n.is_empty()
                && !COLUMNS.contains(&n.as_str())
                && Some(*i) != nominal
                && Some(*i) != unit
        })
        .map(|(_, n)| n)
        .map(|n| format!("`{n}`"))
        .collect();
    if !aside.is_empty() {
        notes.push(format!("columns left aside: {}", aside.join(", ")));
    }
    Ok(Header {
        delimiter,
        at,
        nominal,
        unit,
        width: names.len(),
    })
}

/// The cells of the three columns.
fn cells(header: &Header, row: &str, line: usize) -> Result<[String; 3], AreaTableError> {
    let fields = split(row, header.delimiter, line)?;
    if fields.iter().skip(header.width).any(|f| !f.is_empty()) {
        let hint = if header.delimiter == ',' {
            ": a decimal comma needs semicolons between the columns"
        } else {
            ""
        };
        let message = format!(
            "{} fields where the header has {}{hint}",
            fields.len(),
            header.width
        );
        return Err(fault(line, Some(header.width + 1), message));
    }
    let mut out = [const { String::new() }; 3];
    for ((cell, at), name) in out.iter_mut().zip(header.at).zip(COLUMNS) {
        match fields.get(at) {
            Some(field) if !field.is_empty() => cell.clone_from(field),
            _ => {
                return Err(fault(
                    line,
                    Some(at + 1),
                    format!("`{name}` is empty; fill it in, or leave the row out"),
                ));
            }
        }
    }
    Ok(out)
}

/// A number in the column `at` and whether it had a decimal comma.
fn number(
    field: &str,
    at: usize,
    header: &Header,
    line: usize,
) -> Result<(f64, bool), AreaTableError> {
    let plain = |t: &str| {
        t.bytes()
            .all(|b| matches!(b, b'0'..=b'9' | b'.' | b'e' | b'E' | b'+' | b'-'))
    };
    let comma = header.delimiter != ',' && field.contains(',') && !field.contains('.');
    let text = if comma {
        field.replace(',', ".")
    } else {
        field.to_owned()
    };
    let value = if plain(&text) {
        text.parse::<f64>().ok().filter(|v| v.is_finite())
    } else {
        None
    };
    value.map(|v| (v, comma)).ok_or_else(|| {
        let wanted = if at == header.at[2] {
            "an area in mAU·s"
        } else {
            "a concentration"
        };
        let message = format!("`{field}` is no number; {wanted} was expected");
        fault(line, Some(at + 1), message)
    })
}

/// Fields of one line, trimmed; quotes as in RFC 4180, but within a line.
fn split(row: &str, delimiter: char, line: usize) -> Result<Vec<String>, AreaTableError> {
    let mut fields = vec![String::new()];
    let mut quoted = false;
    let mut characters = row.chars().peekable();
    while let Some(c) = characters.next() {
        let Some(field) = fields.last_mut() else {
            break;
        };
        if c == '"' && quoted && characters.peek() == Some(&'"') {
            characters.next();
            field.push('"');
        } else if c == '"' && (quoted || field.trim().is_empty()) {
            quoted = !quoted;
        } else if c == delimiter && !quoted {
            fields.push(String::new());
        } else {
            field.push(c);
        }
    }
    if quoted {
        return Err(fault(
            line,
            Some(fields.len()),
            "a quote is opened and not closed on its line",
        ));
    }
    Ok(fields.into_iter().map(|f| f.trim().to_owned()).collect())
}
