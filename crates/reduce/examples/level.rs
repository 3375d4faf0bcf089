//! Solves networks of crossings as levelling does, for comparison with other solvers (`tests/outside/level.py`).
//!
//! Standard input, a line each: `priors VARIANCE…` begins a network, `tie VARIANCE VALUE INDEX COEFFICIENT …` is one
//! equation of it. Standard output, for each network: the unknowns; with `robust` also their variances, the weights of
//! the equations and their scales, a line each.
//!
//! `printf 'priors 1 1\ntie 0.01 0.3 0 1 1 -1\n' | cargo run -p leadline-reduce --example level -- plain`

#![allow(clippy::print_stdout, reason = "an example talks to its caller")]

use leadline_reduce::{Equation, least_squares, robust};
use std::error::Error;
use std::io::BufRead;

#[derive(Default)]
struct Network {
    priors: Vec<f64>,
    equations: Vec<Equation>,
}

fn main() -> Result<(), Box<dyn Error>> {
    let robustly = match std::env::args().nth(1).as_deref() {
        Some("plain") => false,
        Some("robust") => true,
        other => return Err(format!("plain or robust, not {other:?}").into()),
    };
    for network in read(std::io::stdin().lock())? {
        solve(&network, robustly)?;
    }
    Ok(())
}

fn read(lines: impl BufRead) -> Result<Vec<Network>, Box<dyn Error>> {
    let mut networks: Vec<Network> = Vec::new();
    for line in lines.lines() {
        let line = line?;
        let mut words = line.split_whitespace();
        match words.next() {
            Some("priors") => {
                let priors = words.map(str::parse).collect::<Result<_, _>>()?;
                networks.push(Network { priors, ..Network::default() });
            }
            Some("tie") => {
                let network = networks.last_mut().ok_or("a tie before the first network")?;
                network.equations.push(equation(words).ok_or_else(|| format!("not a tie: {line:?}"))?);
            }
            _ => return Err(format!("priors or tie, not {line:?}").into()),
        }
    }
    Ok(networks)
}

fn equation<'a>(mut words: impl Iterator<Item = &'a str>) -> Option<Equation> {
    let variance = words.next()?.parse().ok()?;
    let value = words.next()?.parse().ok()?;
    let mut terms = Vec::new();
    while let Some(index) = words.next() {
        terms.push((index.parse().ok()?, words.next()?.parse().ok()?));
    }
    Some(Equation { terms, value, variance })
}

fn solve(network: &Network, robustly: bool) -> Result<(), Box<dyn Error>> {
    let refused = "an index is out of range or a variance is not a positive number";
    if !robustly {
        row(&least_squares(&network.equations, &network.priors).ok_or(refused)?);
        return Ok(());
    }
    let found = robust(&network.equations, &network.priors).ok_or(refused)?;
    row(&found.unknowns);
    row(&found.variances);
    row(&found.weights);
    row(&found.scales);
    Ok(())
}

fn row(values: &[f64]) {
    let words: Vec<String> = values.iter().map(f64::to_string).collect();
    println!("{}", words.join(" "));
}
