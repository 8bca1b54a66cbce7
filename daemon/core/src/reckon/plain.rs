//! An answer as text for a terminal.

use std::fmt;

use super::told::{Told, ToldTable};

/// Widest line of running text.
const WIDTH: usize = 92;

impl fmt::Display for Told {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        wrapped(f, &self.sentence, "")?;
        let label =
            |all: &mut dyn Iterator<Item = &str>| all.map(|l| l.chars().count()).max().unwrap_or(0);
        if !self.results.is_empty() {
            writeln!(f)?;
            let width = label(&mut self.results.iter().map(|r| r.label.as_str()));
            for r in &self.results {
                write!(f, "  {:width$}  {}", r.label, r.text)?;
                if !r.range.is_empty() {
                    write!(f, "  ({})", r.range)?;
                }
                writeln!(f)?;
                if !r.note.is_empty() {
                    wrapped(f, &r.note, &" ".repeat(width + 4))?;
                }
            }
        }
        for table in &self.tables {
            write_table(f, table)?;
        }
        writeln!(f, "\nFrom:")?;
        let width = label(&mut self.inputs.iter().map(|i| i.label.as_str()));
        for i in &self.inputs {
            writeln!(f, "  {:width$}  {}  ({})", i.label, i.text, i.from)?;
        }
        if !self.how_sure.is_empty() {
            writeln!(f)?;
            wrapped(f, &format!("How sure: {}", self.how_sure), "")?;
        }
        for formula in &self.formulas {
            wrapped(f, &format!("By {}: {}.", formula.name, formula.source), "")?;
        }
        if !self.despite.is_empty() {
            wrapped(f, &format!("Done all the same: {}", self.despite), "")?;
        }
        if let Some(wait) = self.step.as_ref().and_then(|s| s.wait.as_ref()) {
            wrapped(
                f,
                &format!(
                    "If done now, wait before {}: until {}.",
                    wait.before, wait.text
                ),
                "",
            )?;
        }
        for caution in &self.cautions {
            writeln!(f)?;
            wrapped(f, &format!("Care: {caution}"), "")?;
        }
        Ok(())
    }
}

fn write_table(f: &mut fmt::Formatter<'_>, table: &ToldTable) -> fmt::Result {
    writeln!(f, "\n{}", table.title)?;
    let rows: Vec<Vec<&str>> =
        std::iter::once(table.columns.iter().map(|c| c.label.as_str()).collect())
            .chain(
                table
                    .rows
                    .iter()
                    .map(|row| row.iter().map(|c| c.text.as_str()).collect()),
            )
            .collect();
    let widths: Vec<usize> = (0..table.columns.len())
        .map(|i| {
            let cells = rows.iter().filter_map(|row| row.get(i));
            cells.map(|c| c.chars().count()).max().unwrap_or(0)
        })
        .collect();
    for row in rows {
        let cells: Vec<String> = row
            .iter()
            .zip(&widths)
            .map(|(cell, &width)| format!("{cell:width$}"))
            .collect();
        writeln!(f, "  {}", cells.join("  ").trim_end())?;
    }
    Ok(())
}

/// Running text, broken at blanks; every line begins with `indent`.
fn wrapped(f: &mut fmt::Formatter<'_>, text: &str, indent: &str) -> fmt::Result {
    let mut line = String::from(indent);
    for word in text.split_whitespace() {
        let long = line.chars().count() + word.chars().count() + 1 > WIDTH;
        if long && line.len() > indent.len() {
            writeln!(f, "{}", line.trim_end())?;
            line = String::from(indent);
        }
        line.push_str(word);
        line.push(' ');
    }
    writeln!(f, "{}", line.trim_end())
}
