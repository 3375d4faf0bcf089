//! Writes a log of any size to stdout: `cargo run --release -p leadline-demo-data --example synthetic -- 1000000`.

fn main() -> std::io::Result<()> {
    let soundings = std::env::args().nth(1).and_then(|n| n.parse().ok()).unwrap_or(1_000_000);
    let mut log = leadline_demo_data::synthetic(leadline_demo_data::SEED, soundings);
    std::io::copy(&mut log, &mut std::io::stdout().lock())?;
    Ok(())
}
