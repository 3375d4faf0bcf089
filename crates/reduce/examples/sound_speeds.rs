//! Sound speed at each line `CELSIUS SALINITY METRES` of standard input, or `none`, for comparison with other
//! libraries (`tests/outside/water.py`).
//!
//! `echo "10 0 0" | cargo run -p leadline-reduce --example sound_speeds`

#![allow(clippy::print_stdout, reason = "an example talks to its caller")]

use leadline_reduce::sound_speed;
use std::io::BufRead;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    for line in std::io::stdin().lock().lines() {
        let line = line?;
        let numbers: Result<Vec<f64>, _> = line.split_whitespace().map(str::parse).collect();
        match numbers?.as_slice() {
            [celsius, salinity, metres] => match sound_speed(*celsius, *salinity, *metres) {
                Some(speed) => println!("{speed}"),
                None => println!("none"),
            },
            _ => return Err(format!("three numbers a line, not {line:?}").into()),
        }
    }
    Ok(())
}
