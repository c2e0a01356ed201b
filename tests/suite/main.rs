//! One test binary for the whole program: the built command and the library against tiny studies on disk.

mod architecture;
mod blinding;
mod builders;
mod commands;
mod digests;
mod extremes;
mod images;
mod interrupted;
mod library;
mod memory;
mod messages;
mod model;
mod outputs;
mod privacy;
mod quality;
mod resume;
mod review;
mod stack;
mod thresholds;
mod tries;
