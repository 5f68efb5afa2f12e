//! Layouts in words: as they are configured, and as `check` tells them.

use super::{Delimiter, Layout, SignalUnit, TimeUnit};
use std::fmt;
use std::str::FromStr;

/// Makes `Display` and `FromStr` of an enum from its words.
macro_rules! words {
    ($kind:ty, $what:literal, $($value:path => $word:literal),+) => {
        impl fmt::Display for $kind {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(match self { $($value => $word),+ })
            }
        }

        impl FromStr for $kind {
            type Err = String;

            /// Reads the word of a configuration.
            fn from_str(word: &str) -> Result<Self, String> {
                match word {
                    $($word => Ok($value),)+
                    _ => Err(format!(
                        concat!("found '{}', expected ", $what, ": {}"),
                        crate::text::one_line(word),
                        [$(concat!("\"", $word, "\"")),+].join(", "),
                    )),
                }
            }
        }
    };
}

words!(Delimiter, "a delimiter", Delimiter::Comma => ",", Delimiter::Semicolon => ";", Delimiter::Tab => "tab", Delimiter::Space => "space");
words!(TimeUnit, "a unit of time", TimeUnit::Seconds => "s", TimeUnit::Minutes => "min");
words!(SignalUnit, "a unit of a signal",
    SignalUnit::MicroAu => "uAU", SignalUnit::MilliAu => "mAU", SignalUnit::Au => "AU",
    SignalUnit::NanoRiu => "nRIU", SignalUnit::MicroVolt => "uV", SignalUnit::MilliVolt => "mV");

impl Delimiter {
    /// Its name in a sentence.
    fn name(self) -> &'static str {
        match self {
            Self::Comma => "comma",
            Self::Semicolon => "semicolon",
            Self::Tab => "tab",
            Self::Space => "blanks",
        }
    }
}

impl Layout {
    /// How the file was read, one line of text for each matter; for `check`.
    pub fn describe(&self) -> Vec<String> {
        let decimal = if self.decimal == b',' {
            "comma"
        } else {
            "point"
        };
        let header = self
            .header_line
            .map_or_else(|| "no header".to_owned(), |l| format!("header on line {l}"));
        let column = |number: usize, name: &str| {
            if name.is_empty() {
                format!("column {number}")
            } else {
                format!("column {number} '{name}'")
            }
        };
        let time_unit = match self.time_unit {
            TimeUnit::Seconds => "seconds",
            TimeUnit::Minutes => "minutes",
        };
        let mut lines = vec![
            format!("encoding: {}", self.encoding),
            format!(
                "delimiter: {}, decimal: {decimal}; {header}",
                self.delimiter.name()
            ),
            format!(
                "time: {}, {time_unit} ({})",
                column(self.time_column, &self.time_name),
                self.time_unit_from
            ),
            format!(
                "signal: {}, {} ({})",
                column(self.signal_column, &self.signal_name),
                self.signal_unit,
                self.signal_unit_from
            ),
            format!(
                "{}; first sample on line {}, last on line {}",
                crate::text::count(self.columns, "column"),
                self.first_line,
                self.last_line
            ),
        ];
        lines.extend(self.notes.iter().map(|n| format!("note: {n}")));
        lines
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_read_back() {
        for d in [
            Delimiter::Comma,
            Delimiter::Semicolon,
            Delimiter::Tab,
            Delimiter::Space,
        ] {
            assert_eq!(d.to_string().parse(), Ok(d));
        }
        for u in ["uAU", "mAU", "AU", "nRIU", "uV", "mV"] {
            assert_eq!(
                u.parse::<SignalUnit>().map(|u| u.to_string()),
                Ok(u.to_owned())
            );
        }
        assert_eq!("min".parse(), Ok(TimeUnit::Minutes));
        assert_eq!(
            "hours".parse::<TimeUnit>(),
            Err("found 'hours', expected a unit of time: \"s\", \"min\"".to_owned())
        );
    }
}
