//! What a program costs, for examples that measure it.

/// Time that this thread had a processor, in seconds.
pub fn processor_time_s() -> Result<f64, Box<dyn std::error::Error>> {
    let text = std::fs::read_to_string("/proc/self/schedstat")?;
    let nanoseconds: f64 = text.split_whitespace().next().ok_or("/proc/self/schedstat is empty")?.parse()?;
    Ok(nanoseconds / 1e9)
}
