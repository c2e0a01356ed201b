//! A row of a large table, written cell by cell without a text in between.

use std::io::Write;

use crate::tables::write_number_f32;

/// One row of cells, tab-separated.
pub(super) struct Row<'a> {
    out: &'a mut Vec<u8>,
    first: bool,
}

impl<'a> Row<'a> {
    pub(super) fn new(out: &'a mut Vec<u8>) -> Self {
        Self { out, first: true }
    }

    fn gap(&mut self) {
        if !self.first {
            self.out.push(b'\t');
        }
        self.first = false;
    }

    pub(super) fn text(&mut self, text: &str) {
        self.gap();
        self.out.extend_from_slice(text.as_bytes());
    }

    pub(super) fn number(&mut self, value: f64) {
        self.gap();
        write_number_f32(self.out, value);
    }

    pub(super) fn count(&mut self, value: usize) {
        self.gap();
        let _ = write!(self.out, "{value}");
    }

    pub(super) fn end(&mut self) {
        self.out.push(b'\n');
    }
}
