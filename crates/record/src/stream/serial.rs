//! A serial port, opened again when its plug is back.

use super::{BackOff, Brought, Outlet, pump};
use serial2_tokio::SerialPort;
use std::path::Path;

pub(super) async fn port(path: &Path, baud: u32, out: &Outlet) {
    let mut back_off = BackOff::new();
    loop {
        let why = match SerialPort::open(path, baud) {
            Ok(port) => {
                if !out.give(Brought::Up(format!("open at {baud} bits a second"))).await {
                    return;
                }
                match pump(port, out).await {
                    Ok(n) => {
                        if n > 0 {
                            back_off.worked();
                        }
                        "it was unplugged".to_owned()
                    }
                    Err(e) => {
                        back_off.worked();
                        e.to_string()
                    }
                }
            }
            Err(e) => format!("{e}; check the name, the plug, and that you may open it"),
        };
        if !back_off.wait(why, out).await {
            return;
        }
    }
}
