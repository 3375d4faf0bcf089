//! Prints the truth as `east north depth` in metres, one cell a line, for checks by other programs.

use std::io::Write as _;

fn main() -> std::io::Result<()> {
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    for p in leadline_demo_data::truth_grid() {
        let (east, north) = leadline_demo_data::east_north(p.cell.middle());
        writeln!(out, "{east:.3} {north:.3} {:.4}", p.depth_m)?;
    }
    out.flush()
}
