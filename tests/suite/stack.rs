//! `keepstill stack`.
