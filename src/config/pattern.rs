//! Patterns of paths and file names: their plain spelling, and how much of a disk they can match.

use std::path::{Path, PathBuf};

use globset::{Glob, GlobBuilder};

use super::error::FileError;
use super::paths;
use super::table::Value;

/// Where the files that a pattern can match may lie.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reach {
    /// They lie in this folder …
    pub folder: PathBuf,
    /// … in folders nested at most so deep below it; `None`: however deep.
    pub depth: Option<usize>,
}

/// What a pattern of absolute paths can reach: everything before its first part with a wildcard is a folder's name.
pub fn reach(pattern: &str) -> Reach {
    let parts: Vec<&str> = pattern.split('/').collect();
    let (_, folders) = parts.split_last().unwrap_or((&"", &[]));
    let fixed: Vec<String> = folders.iter().map_while(|p| literal(p)).collect();
    // A `/` between braces counts as well: it makes this deeper than it need be, never less deep.
    let depth = folders.len() - fixed.len();
    Reach {
        folder: folder(pattern, &fixed),
        depth: (!pattern.contains("**")).then_some(depth),
    }
}

/// The pattern without `.`, `..` and empty parts; `None` where it goes back behind a wildcard. See [`paths::clean`].
pub(crate) fn clean(pattern: &str) -> Option<String> {
    let start = start(pattern);
    let mut out: Vec<String> = Vec::new();
    for part in pattern.split('/') {
        match part {
            "" | "." => {}
            ".." => {
                let fixed: Option<Vec<String>> = out.iter().map(|p| literal(p)).collect();
                let folder = folder(pattern, &fixed?);
                if folder.is_symlink() {
                    out = escaped(&paths::real(&folder));
                }
                out.pop();
            }
            part => out.push(part.to_owned()),
        }
    }
    Some(format!("{start}{}", out.join("/")))
}

/// With what a path begins, before its first part.
fn start(pattern: &str) -> &'static str {
    match pattern {
        p if cfg!(windows) && p.starts_with("//") => "//",
        p if p.starts_with('/') => "/",
        _ => "",
    }
}

fn folder(pattern: &str, parts: &[String]) -> PathBuf {
    let parts: Vec<&str> = parts
        .iter()
        .map(String::as_str)
        .filter(|p| !p.is_empty())
        .collect();
    PathBuf::from(format!("{}{}", start(pattern), parts.join("/")))
}

fn escaped(path: &Path) -> Vec<String> {
    let text = path.to_string_lossy();
    let text = if cfg!(windows) {
        text.replace('\\', "/")
    } else {
        text.into_owned()
    };
    let parts = text.split('/').filter(|p| !p.is_empty());
    parts.map(globset::escape).collect()
}

/// The one name that a part of a pattern matches; `None` where it may match several.
fn literal(part: &str) -> Option<String> {
    let mut out = String::new();
    let mut rest = part.chars();
    while let Some(c) = rest.next() {
        match c {
            // One character in brackets is how it is written where it means itself.
            '[' => {
                let (of, end) = (rest.next()?, rest.next()?);
                if matches!(of, '!' | '^') || end != ']' {
                    return None;
                }
                out.push(of);
            }
            '\\' if !cfg!(windows) => out.push(rest.next()?),
            '*' | '?' | '{' | '}' => return None,
            c => out.push(c),
        }
    }
    Some(out)
}

/// The path pattern that a value names, absolute, with `/` between folders.
pub(crate) fn path_pattern(value: &Value<'_>, file: &Path) -> Result<String, FileError> {
    let text = value.text("a path, with * where names differ")?;
    let pattern = if Path::new(text).is_absolute() {
        text.to_owned()
    } else {
        let folder = paths::folder_of(file);
        let folder = folder.to_string_lossy();
        format!("{}/{text}", globset::escape(folder.trim_end_matches('/')))
    };
    let pattern = if cfg!(windows) {
        pattern.replace('\\', "/")
    } else {
        pattern
    };
    let pattern = clean(&pattern)
        .ok_or_else(|| value.found("a path that does not go back (..) behind a *"))?;
    glob(value, &pattern)?;
    Ok(pattern)
}

/// A pattern of file names, as it stands.
pub(crate) fn name_glob(value: &Value<'_>) -> Result<String, FileError> {
    let text = value.text("a file name, with * where names differ")?;
    if text.contains(['/', '\\']) {
        return Err(value.found("a pattern for the file's name alone, without folders"));
    }
    glob(value, text)?;
    Ok(text.to_owned())
}

fn glob(value: &Value<'_>, pattern: &str) -> Result<Glob, FileError> {
    let built = GlobBuilder::new(pattern).literal_separator(true).build();
    built.map_err(|e| value.found(&format!("a pattern that can be read ({})", e.kind())))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pattern_reaches_no_deeper_than_it_can_match() {
        let reached = |pattern: &str| {
            let Reach { folder, depth } = reach(pattern);
            (folder.to_string_lossy().into_owned(), depth)
        };
        let is = |folder: &str, depth| (folder.to_owned(), depth);
        assert_eq!(reached("/lab/*.csv"), is("/lab", Some(0)));
        assert_eq!(reached("/lab/night.csv"), is("/lab", Some(0)));
        assert_eq!(reached("/*.csv"), is("/", Some(0)));
        assert_eq!(reached("/lab/2*/lists/*.csv"), is("/lab", Some(2)));
        assert_eq!(reached("/lab/**/*.csv"), is("/lab", None));
        assert_eq!(reached("/lab/{a,b/c}/*.csv"), is("/lab", Some(2)));
        assert_eq!(
            reached("/[[]lab 2[]] A/b/*.csv"),
            is("/[lab 2] A/b", Some(0))
        );
        assert_eq!(reached("/lab [!a]/*.csv"), is("/", Some(1)));
    }

    #[test]
    fn every_spelling_of_a_pattern_becomes_the_plain_one() {
        for spelling in [
            "/lab/exports/*.csv",
            "//lab///exports/*.csv",
            "/./lab/./exports/./*.csv",
            "/lab/other/../exports/*.csv",
            "/../lab/exports/*.csv",
        ] {
            assert_eq!(clean(spelling).unwrap(), "/lab/exports/*.csv");
        }
        assert_eq!(clean("/[[]lab[]]/x/../*.csv").unwrap(), "/[[]lab[]]/*.csv");
        assert_eq!(clean("/lab/*/../x.csv"), None);
    }

    #[cfg(unix)]
    #[test]
    fn behind_a_link_the_folder_above_is_that_of_what_it_leads_to() {
        let dir = tempfile::tempdir().unwrap();
        let root = dir.path().canonicalize().unwrap();
        std::fs::create_dir_all(root.join("a/b")).unwrap();
        std::os::unix::fs::symlink(root.join("a/b"), root.join("link")).unwrap();
        let wanted = format!("{}/a/*.csv", root.display());
        let spelled = format!("{}/link/../*.csv", root.display());
        assert_eq!(clean(&spelled).unwrap(), wanted);
        assert_eq!(paths::clean(&root.join("link/../x")), root.join("a/x"));
        assert_eq!(paths::clean(&root.join("a/../x")), root.join("x"));
        assert_eq!(paths::real(&root.join("link/c/d")), root.join("a/b/c/d"));
    }
}
