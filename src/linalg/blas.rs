//! How OpenBLAS is set up inside this process.
//!
//! OpenBLAS reads `OPENBLAS_CORETYPE` and `OPENBLAS_NUM_THREADS` in its own constructor, before `main`. So they are set
//! in an `.init_array` entry with a priority that runs before it, unless the user has set them:
//!
//! - one thread, because scans are already done in parallel (a second layer of threads only makes them wait for each
//!   other);
//! - the Haswell kernel where the processor has AVX2 and FMA, so that two machines give the same bits, and because the
//!   OpenBLAS 0.3.21 of Debian 12 mistakes new Intel processors for one of 2004.
//!
//! The static archive lacks one Fortran run-time symbol, which is given here.

#[cfg(all(target_os = "linux", target_arch = "x86_64", openblas_static))]
mod set_up {
    use std::ffi::{c_char, c_int};

    unsafe extern "C" {
        fn setenv(name: *const c_char, value: *const c_char, overwrite: c_int) -> c_int;
    }

    extern "C" fn choose_kernel_and_threads() {
        // SAFETY: runs once, before main and before any thread exists; the strings are constant and end in NUL.
        unsafe {
            setenv(c"OPENBLAS_NUM_THREADS".as_ptr(), c"1".as_ptr(), 0);
            if std::arch::is_x86_feature_detected!("avx2") && std::arch::is_x86_feature_detected!("fma") {
                setenv(c"OPENBLAS_CORETYPE".as_ptr(), c"Haswell".as_ptr(), 0);
            }
        }
    }

    /// Entries with a number run before the plain ones, in rising order (System V ABI; GNU ld and lld sort them).
    #[used]
    #[unsafe(link_section = ".init_array.00101")]
    static ENTRY: extern "C" fn() = choose_kernel_and_threads;
}

/// Fortran's string concatenation, the one run-time routine that the static OpenBLAS archive calls: `dest` becomes
/// `a` followed by `b`, cut or filled up with blanks to `dest_len`.
///
/// # Safety
/// The three pointers must be valid for their lengths and not overlap, as LAPACK's own calls are.
#[cfg(openblas_static)]
#[unsafe(no_mangle)]
pub unsafe extern "C" fn _gfortran_concat_string(
    dest_len: usize,
    dest: *mut u8,
    a_len: usize,
    a: *const u8,
    b_len: usize,
    b: *const u8,
) {
    // SAFETY: by the contract above.
    unsafe {
        let from_a = a_len.min(dest_len);
        std::ptr::copy_nonoverlapping(a, dest, from_a);
        let from_b = b_len.min(dest_len - from_a);
        std::ptr::copy_nonoverlapping(b, dest.add(from_a), from_b);
        std::ptr::write_bytes(dest.add(from_a + from_b), b' ', dest_len - from_a - from_b);
    }
}
