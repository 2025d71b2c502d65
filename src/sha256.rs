//! SHA-256 as text.

use sha2::{Digest, Sha256};
use std::fs::File;
use std::io::Read;
use std::path::Path;

/// Bytes that are read at a time.
const BLOCK: usize = 1 << 16;

/// SHA-256 of bytes in lower-case hexadecimal.
pub fn of(bytes: &[u8]) -> String {
    hexadecimal(&Sha256::digest(bytes))
}

/// The same of a file of any length, block by block.
///
/// # Errors
/// Where it cannot be read.
pub fn of_file(path: &Path) -> std::io::Result<String> {
    let (mut file, mut hasher, mut block) = (File::open(path)?, Sha256::new(), vec![0; BLOCK]);
    loop {
        match file.read(&mut block)? {
            0 => return Ok(hexadecimal(&hasher.finalize())),
            count => hasher.update(&block[..count]),
        }
    }
}

fn hexadecimal(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}
