//! Names built from columns: `{crock} day {day}`.

use crate::config::error::quoted;

/// A checked template: text with `{field}` between. A brace as itself is written twice.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Template {
    text: String,
    parts: Vec<Part>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Part {
    Text(String),
    Field(String),
}

impl Template {
    /// A template of one field.
    pub fn field(name: &str) -> Template {
        Template {
            text: format!("{{{name}}}"),
            parts: vec![Part::Field(name.to_owned())],
        }
    }

    /// `{queue}-{position}`.
    pub fn queue_and_position() -> Template {
        let field = |name: &str| Part::Field(name.to_owned());
        Template {
            text: "{queue}-{position}".to_owned(),
            parts: vec![
                field("queue"),
                Part::Text("-".to_owned()),
                field("position"),
            ],
        }
    }

    /// Reads a template.
    ///
    /// # Errors
    /// What was found and what was expected: nothing at all, a brace without its partner, braces with nothing between.
    pub fn parse(text: &str) -> Result<Template, String> {
        let mut parts = Vec::new();
        let mut plain = String::new();
        let mut rest = text.chars().peekable();
        while let Some(c) = rest.next() {
            match c {
                '{' | '}' if rest.peek() == Some(&c) => {
                    rest.next();
                    plain.push(c);
                }
                '}' => {
                    return Err(format!(
                        "found {} with a }} that nothing opens, expected {{column}}",
                        quoted(text)
                    ));
                }
                '{' => {
                    let mut name = String::new();
                    let closed = loop {
                        match rest.next() {
                            Some('}') => break true,
                            Some('{') | None => break false,
                            Some(c) => name.push(c),
                        }
                    };
                    let name = name.trim();
                    if !closed || name.is_empty() {
                        let what = if closed {
                            "{} with nothing between"
                        } else {
                            "a { that is never closed"
                        };
                        return Err(format!(
                            "found {} with {what}, expected {{column}}",
                            quoted(text)
                        ));
                    }
                    if !plain.is_empty() {
                        parts.push(Part::Text(std::mem::take(&mut plain)));
                    }
                    parts.push(Part::Field(name.to_owned()));
                }
                c => plain.push(c),
            }
        }
        if !plain.is_empty() {
            parts.push(Part::Text(plain));
        }
        if parts.is_empty() {
            return Err("found nothing, expected a name with {column} in it".to_owned());
        }
        Ok(Template {
            text: text.to_owned(),
            parts,
        })
    }

    /// As it was written.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Names of its fields, in order.
    pub fn fields(&self) -> impl Iterator<Item = &str> {
        self.parts.iter().filter_map(|p| match p {
            Part::Field(name) => Some(name.as_str()),
            Part::Text(_) => None,
        })
    }

    /// The text with every field's value in its place; a field without one leaves nothing.
    pub fn fill<'v>(&self, value: impl Fn(&str) -> Option<std::borrow::Cow<'v, str>>) -> String {
        let mut out = String::new();
        for part in &self.parts {
            match part {
                Part::Text(text) => out.push_str(text),
                Part::Field(name) => out.push_str(&value(name).unwrap_or_default()),
            }
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn filled(text: &str) -> String {
        let template = Template::parse(text).unwrap();
        template.fill(|f| Some(format!("<{f}>").into()))
    }

    #[test]
    fn fields_are_filled_in() {
        assert_eq!(filled("{crock} day { day }"), "<crock> day <day>");
        assert_eq!(filled("a{{b}}{c}"), "a{b}<c>");
        assert_eq!(filled("plain"), "plain");
        assert_eq!(
            Template::parse("{x}-").unwrap().fill(|_| None),
            "-",
            "no value leaves nothing"
        );
        assert_eq!(
            Template::parse("{queue}-{position}"),
            Ok(Template::queue_and_position())
        );
        assert_eq!(Template::parse("{name}"), Ok(Template::field("name")));
    }

    #[test]
    fn mistakes_are_told() {
        for (text, message) in [
            ("", "found nothing, expected a name with {column} in it"),
            (
                "a{b",
                "found \"a{b\" with a { that is never closed, expected {column}",
            ),
            (
                "a{b{c}",
                "found \"a{b{c}\" with a { that is never closed, expected {column}",
            ),
            (
                "a{ }",
                "found \"a{ }\" with {} with nothing between, expected {column}",
            ),
            (
                "a}b",
                "found \"a}b\" with a } that nothing opens, expected {column}",
            ),
        ] {
            assert_eq!(Template::parse(text), Err(message.to_owned()), "{text}");
        }
    }
}
