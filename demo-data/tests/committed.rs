//! The committed files are what the generator gives, to the last byte.

use leadline_demo_data::{SEED, logs, stages_csv};
use std::collections::BTreeMap;
use std::path::Path;

#[test]
fn committed_files_are_the_generators() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("logs");
    let mut made: BTreeMap<String, Vec<u8>> =
        logs(SEED).into_iter().map(|log| (log.file_name.to_owned(), log.bytes)).collect();
    made.insert("stages.csv".to_owned(), stages_csv());
    for entry in std::fs::read_dir(folder).expect("the folder is in the repository") {
        let entry = entry.expect("readable");
        let name = entry.file_name().to_string_lossy().into_owned();
        let wanted = made.remove(&name).unwrap_or_else(|| panic!("{name} is not the generator's"));
        let found = std::fs::read(entry.path()).expect("readable");
        assert!(found == wanted, "{name} differs: run `cargo run -p leadline-demo-data -- demo-data/logs`");
    }
    assert!(made.is_empty(), "not committed: {:?}", made.keys());
}

#[test]
fn logs_are_small_enough_to_commit() {
    let total: usize = logs(SEED).iter().map(|log| log.bytes.len()).sum();
    assert!((1_000_000..3_000_000).contains(&total), "{total} bytes");
}
