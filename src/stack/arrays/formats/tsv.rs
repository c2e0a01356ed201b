//! Tab-separated text: `stem`, then one column per edge, named by both parcels; `n/a` where there is no value.

use std::path::Path;

use rayon::prelude::*;

use crate::outputs::cell;
use crate::record::files::WriteError;
use crate::stack::arrays::array_file::{ArrayFile, FileDescription};
use crate::stack::arrays::plan::{ArrayPlan, edge_names};
use crate::stack::arrays::whole::{Unfinished, Whole};
use crate::stack::gather::block::Block;
use crate::stack::gather::request::Format;
use crate::tables::write_number_f32;

/// Lines that are put into text at once (own choice).
const AT_ONCE: usize = 32;

pub(super) struct Edges<'a> {
    file: Unfinished,
    plan: &'a ArrayPlan<'a>,
}

impl<'a> Edges<'a> {
    pub(super) fn create(folder: &Path, plan: &'a ArrayPlan<'a>) -> Result<Self, WriteError> {
        let mut file = Unfinished::create(&folder.join(plan.file(Format::Tsv)))?;
        let mut header = "stem".to_owned();
        for name in edge_names(&plan.parcels) {
            header.push('\t');
            header.push_str(&cell(&name));
        }
        header.push('\n');
        file.append(header.as_bytes())?;
        Ok(Self { file, plan })
    }
}

impl ArrayFile for Edges<'_> {
    fn take(&mut self, block: &Block) -> Result<(), WriteError> {
        let rows: Vec<usize> = (0..block.children).collect();
        for rows in rows.chunks(AT_ONCE) {
            let lines: Vec<Vec<u8>> = rows
                .par_iter()
                .map(|&row| {
                    let mut line = Vec::with_capacity(12 * self.plan.edges + 64);
                    line.extend_from_slice(self.plan.children[block.first + row].stem.as_bytes());
                    for &value in &block.edges[row * self.plan.edges..(row + 1) * self.plan.edges] {
                        line.push(b'\t');
                        write_number_f32(&mut line, f64::from(value));
                    }
                    line.push(b'\n');
                    line
                })
                .collect();
            lines.iter().try_for_each(|line| self.file.append(line))?;
        }
        Ok(())
    }

    fn finish(self: Box<Self>) -> Result<Whole, WriteError> {
        self.file.finish()
    }

    fn description(&self) -> FileDescription {
        FileDescription {
            file: self.plan.file(Format::Tsv),
            format: Format::Tsv,
            holds: "a header line, then one row per child: stem, and one column per edge; n/a where there is no value",
            shape: vec![self.plan.children.len(), 1 + self.plan.edges],
        }
    }
}
