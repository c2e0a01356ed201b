//! One test binary for the whole program: the built command and the library against tiny studies on disk.

mod adjusted;
mod architecture;
mod blinding;
mod blocks;
mod builders;
mod commands;
mod covariance;
mod digests;
mod equal;
mod extremes;
mod images;
mod interrupted;
mod library;
mod memory;
mod messages;
mod model;
mod networks;
mod outputs;
mod privacy;
mod quality;
mod resume;
mod review;
mod stack;
mod thresholds;
mod tries;
mod unlike_tr;
