//! What a file says beyond what is known, and numbers that cannot be meant.

use toml::{Table, Value};

/// Keys of `found` that `known` does not have, by their full names.
///
/// `known` is what was understood of `found`, written anew.
pub(super) fn unknown_keys(found: &Table, known: &Table) -> Vec<String> {
    let mut unknown = Vec::new();
    compare(found, known, "", &mut unknown);
    unknown.dedup();
    unknown
}

fn compare(found: &Table, known: &Table, above: &str, unknown: &mut Vec<String>) {
    for (key, value) in found {
        let name = if above.is_empty() { key.clone() } else { format!("{above}.{key}") };
        match (value, known.get(key)) {
            (_, None) => unknown.push(name),
            (Value::Table(found), Some(Value::Table(known))) => compare(found, known, &name, unknown),
            (Value::Array(found), Some(Value::Array(known))) => {
                for pair in found.iter().zip(known) {
                    if let (Value::Table(found), Value::Table(known)) = pair {
                        compare(found, known, &name, unknown);
                    }
                }
            }
            _ => {}
        }
    }
}

/// The first number that is none (`nan`, `inf`), by its key.
pub(super) fn endless_number(table: &Table) -> Option<String> {
    table.iter().find_map(|(key, value)| endless(key, value))
}

fn endless(key: &str, value: &Value) -> Option<String> {
    match value {
        Value::Float(number) if !number.is_finite() => Some(key.to_owned()),
        Value::Array(values) => values.iter().find_map(|value| endless(key, value)),
        Value::Table(table) => table.iter().find_map(|(key, value)| endless(key, value)),
        _ => None,
    }
}

/// The line that the byte at `offset` of `text` is in, from 1.
pub(super) fn line_at(text: &str, offset: usize) -> usize {
    1 + text.as_bytes().iter().take(offset).filter(|&&byte| byte == b'\n').count()
}

/// The line of a fault in TOML, from 1, and what it is, in one line: a message of several lines repeats the place.
#[must_use]
pub fn toml_fault(text: &str, error: &toml::de::Error) -> (Option<usize>, String) {
    let line = error.span().map(|span| line_at(text, span.start));
    (line, error.message().lines().collect::<Vec<_>>().join(" "))
}

/// The first line that sets `key`, from 1.
pub(super) fn line_of_key(text: &str, key: &str) -> Option<usize> {
    let sets = |line: &str| line.trim_start().strip_prefix(key).is_some_and(|rest| rest.trim_start().starts_with('='));
    text.lines().position(sets).map(|idx| idx + 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_that_are_not_known_are_named_wherever_they_stand() {
        let found: Table =
            "a = 1\nmoon = 2\n[sky]\nb = 1\nglow = 3\n[[lights]]\nfile = \"a\"\n[[lights]]\nfile = \"b\"\nrank = 1"
                .parse()
                .expect("TOML");
        let known: Table =
            "a = 1\n[sky]\nb = 1\n[[lights]]\nfile = \"a\"\n[[lights]]\nfile = \"b\"".parse().expect("TOML");
        assert_eq!(unknown_keys(&found, &known), ["lights.rank", "moon", "sky.glow"], "each by its full name");
        assert_eq!(unknown_keys(&known, &known), [] as [String; 0], "nothing to say");
    }

    #[test]
    fn a_number_without_end_is_found_in_tables_and_lists() {
        let table: Table = "a = 1.0\n[b]\nc = [1.0, inf]".parse().expect("TOML");
        assert_eq!(endless_number(&table).as_deref(), Some("c"), "in a list in a table");
        assert_eq!(line_of_key("a = 1.0\n[b]\n c= [1.0, inf]", "c"), Some(3), "its line");
        assert_eq!(line_at("ab\ncd\n", 4), 2, "the byte `d`");
    }
}
