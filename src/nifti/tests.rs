//! Files built byte by byte, so that nothing but the standard's own offsets stands between the test and the reader.

mod builder;
mod errors;
mod fuzz;
mod gzip;
mod gzip_size;
mod reading;
mod writing;
