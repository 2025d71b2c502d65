//! The machine on which something was computed, as far as it may move the last bits of a figure.

/// Instruction set that this program runs with: the architecture, and what its mathematical functions make use of where it is there.
pub fn instruction_set() -> String {
    let found: Vec<&str> = extensions().into_iter().filter_map(|(name, is_there)| is_there.then_some(name)).collect();
    let architecture = std::env::consts::ARCH;
    if found.is_empty() { architecture.into() } else { format!("{architecture} with {}", found.join(", ")) }
}

#[cfg(target_arch = "x86_64")]
fn extensions() -> Vec<(&'static str, bool)> {
    vec![("avx2", is_x86_feature_detected!("avx2")), ("fma", is_x86_feature_detected!("fma"))]
}

#[cfg(not(target_arch = "x86_64"))]
fn extensions() -> Vec<(&'static str, bool)> {
    vec![]
}
