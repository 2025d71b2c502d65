//! SHA-256 as text.

use sha2::{Digest, Sha256};

/// SHA-256 of bytes in lower-case hexadecimal.
pub fn of(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}
