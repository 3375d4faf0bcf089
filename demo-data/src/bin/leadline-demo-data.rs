//! Writes the invented logs into a folder: `cargo run -p leadline-demo-data -- demo-data/logs`.

use std::io::Write as _;
use std::path::Path;
use std::process::ExitCode;

fn main() -> ExitCode {
    let folder = std::env::args_os().nth(1).unwrap_or_else(|| "demo-data/logs".into());
    match write(Path::new(&folder)) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            let _ = writeln!(std::io::stderr(), "cannot write to {}: {error}", folder.to_string_lossy());
            ExitCode::FAILURE
        }
    }
}

fn write(folder: &Path) -> std::io::Result<()> {
    std::fs::create_dir_all(folder)?;
    for log in leadline_demo_data::logs(leadline_demo_data::SEED) {
        std::fs::write(folder.join(log.file_name), &log.bytes)?;
    }
    std::fs::write(folder.join("stages.csv"), leadline_demo_data::stages_csv())
}
