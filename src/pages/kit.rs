//! What every page is made with: one shell, one style sheet, one code for the axes of pictures, one ramp of colours.
//!
//! A page is self-contained and asks for nothing over the network; [`shell`] also forbids it in the page itself.
//! Colours have one meaning on all pages: on the ramp ([`ramp`]), orange is above zero and blue below, and a scale with
//! numbers is drawn wherever the ramp is used.

mod axis;
pub(crate) mod chart;
pub(crate) mod ramp;
mod shell;

pub use shell::{Mode, Review, escape};
pub(crate) use shell::{Script, Shell};
