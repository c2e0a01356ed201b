//! Links LAPACK.
//!
//! ndarray-linalg is used without a backend feature (its static one downloads at build time, its system one pulls 40
//! build crates). Debian's `libopenblas-dev` carries a static archive of the threaded OpenBLAS: with it the binary
//! needs no library at run time. Where the archive is absent, the shared library is linked instead. Never the archive
//! of `libopenblas-serial`: it has no locks and gives wrong numbers under rayon.

use std::env;
use std::path::{Path, PathBuf};

fn main() {
    println!("cargo:rerun-if-changed=build.rs");
    println!("cargo:rerun-if-env-changed=KEEPSTILL_OPENBLAS_DIR");
    let folders = match env::var_os("KEEPSTILL_OPENBLAS_DIR") {
        Some(folder) => vec![PathBuf::from(folder)],
        None => {
            let machine = format!("{}-linux-gnu", env::var("CARGO_CFG_TARGET_ARCH").unwrap_or_default());
            vec![Path::new("/usr/lib").join(machine).join("openblas-pthread")]
        }
    };
    println!("cargo:rustc-check-cfg=cfg(openblas_static)");
    for folder in &folders {
        if folder.join("libopenblas.a").exists() {
            println!("cargo:rustc-link-search=native={}", folder.display());
            // Not bundled into our rlib: the archive is 58 MB, and the linker takes only what it needs of it.
            println!("cargo:rustc-link-lib=static:-bundle=openblas");
            println!("cargo:rustc-cfg=openblas_static");
            return;
        }
    }
    for folder in &folders {
        println!("cargo:rustc-link-search=native={}", folder.display());
    }
    println!("cargo:rustc-link-lib=dylib=openblas");
}
