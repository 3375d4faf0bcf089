//! Enough of Rust's lexical rules to look at code without comments, strings and tests.

/// `text` with the contents of comments, strings and characters blanked out; line breaks stay.
pub(super) fn code_only(text: &str) -> String {
    let chars: Vec<char> = text.chars().collect();
    let mut out = String::with_capacity(text.len());
    let mut at = 0;
    while at < chars.len() {
        let end = skipped(&chars, at);
        if end > at {
            out.push(' ');
            out.extend(chars[at..end].iter().filter(|c| **c == '\n'));
            at = end;
        } else {
            out.push(chars[at]);
            at += 1;
        }
    }
    out
}

/// `code` up to its tests, which by our rule stand last in a file.
pub(super) fn before_tests(code: &str) -> &str {
    let mut from = 0;
    while let Some(found) = code[from..].find("#[cfg(test)]") {
        let start = from + found;
        let after = &code[start + "#[cfg(test)]".len()..];
        let is_block = after.trim_start().starts_with("mod ")
            && after.find('{').is_some_and(|open| after.find(';').is_none_or(|end| open < end));
        if is_block {
            return &code[..start];
        }
        from = start + 1;
    }
    code
}

/// Whether `word` stands in `code` with no letter, digit or underscore beside it.
pub(super) fn has_word(code: &str, word: &str) -> bool {
    let part = |c: char| c.is_alphanumeric() || c == '_';
    code.match_indices(word).any(|(at, _)| {
        !code[..at].chars().next_back().is_some_and(part)
            && !code[at + word.len()..].chars().next().is_some_and(part)
    })
}

/// Every path that a `use` names, written out in full.
pub(super) fn used_paths(code: &str) -> Vec<String> {
    let mut paths = Vec::new();
    let mut rest = code;
    while let Some(at) = rest.find("use ") {
        let own = !rest[..at].chars().next_back().is_some_and(|c| c.is_alphanumeric() || c == '_');
        let statement = &rest[at + 4..];
        let end = statement.find(';').unwrap_or(statement.len());
        if own {
            let flat: String = statement[..end].split_whitespace().collect::<Vec<_>>().join(" ");
            expand("", &flat, &mut paths);
        }
        rest = &statement[end..];
    }
    paths
}

fn expand(prefix: &str, tree: &str, paths: &mut Vec<String>) {
    let tree = tree.trim();
    match (tree.find('{'), tree.rfind('}')) {
        (Some(open), Some(close)) if open < close => {
            let prefix = format!("{prefix}{}", tree[..open].trim());
            for branch in branches(&tree[open + 1..close]) {
                expand(&prefix, branch, paths);
            }
        }
        _ => paths.push(format!("{prefix}{}", tree.split(" as ").next().unwrap_or(tree).trim())),
    }
}

/// Splits at the commas outside inner braces.
fn branches(list: &str) -> Vec<&str> {
    let (mut depth, mut start, mut out) = (0, 0, Vec::new());
    for (at, c) in list.char_indices() {
        match c {
            '{' => depth += 1,
            '}' => depth -= 1,
            ',' if depth == 0 => {
                out.push(&list[start..at]);
                start = at + 1;
            }
            _ => {}
        }
    }
    out.push(&list[start..]);
    out.retain(|b| !b.trim().is_empty());
    out
}

/// The end of the comment, string or character that begins at `at`; `at` itself if none does.
fn skipped(chars: &[char], at: usize) -> usize {
    let next = chars.get(at + 1).copied();
    match chars[at] {
        '/' if next == Some('/') => find(chars, at, |c| c == '\n'),
        '/' if next == Some('*') => block_comment(chars, at),
        '"' => quoted(chars, at),
        'r' | 'b' if !at.checked_sub(1).is_some_and(|i| chars[i].is_alphanumeric() || chars[i] == '_') => {
            raw_string(chars, at).unwrap_or(at)
        }
        '\'' => character(chars, at),
        _ => at,
    }
}

fn find(chars: &[char], from: usize, is_end: impl Fn(char) -> bool) -> usize {
    chars[from..].iter().position(|c| is_end(*c)).map_or(chars.len(), |n| from + n)
}

fn block_comment(chars: &[char], at: usize) -> usize {
    let (mut depth, mut i) = (0, at);
    while i < chars.len() {
        match (chars[i], chars.get(i + 1)) {
            ('/', Some('*')) => (depth, i) = (depth + 1, i + 2),
            ('*', Some('/')) => (depth, i) = (depth - 1, i + 2),
            _ => i += 1,
        }
        if depth == 0 {
            break;
        }
    }
    i
}

fn quoted(chars: &[char], at: usize) -> usize {
    let mut i = at + 1;
    while i < chars.len() && chars[i] != '"' {
        i += if chars[i] == '\\' { 2 } else { 1 };
    }
    (i + 1).min(chars.len())
}

/// `r"…"`, `r#"…"#`, `br"…"`, `b"…"`.
fn raw_string(chars: &[char], at: usize) -> Option<usize> {
    let mut i = at + usize::from(chars[at] == 'b');
    if chars.get(i) == Some(&'"') && i > at {
        return Some(quoted(chars, i));
    }
    if chars.get(i) != Some(&'r') {
        return None;
    }
    i += 1;
    let hashes = chars[i..].iter().take_while(|c| **c == '#').count();
    i += hashes;
    if chars.get(i) != Some(&'"') {
        return None;
    }
    let closes =
        |j: usize| chars[j] == '"' && chars[j + 1..].iter().take_while(|c| **c == '#').count() >= hashes;
    Some((i + 1..chars.len()).find(|&j| closes(j)).map_or(chars.len(), |j| j + 1 + hashes))
}

/// `'x'` or `'\n'`; a lifetime is code.
fn character(chars: &[char], at: usize) -> usize {
    match (chars.get(at + 1), chars.get(at + 2)) {
        (Some('\\'), _) => (find(chars, at + 3, |c| c == '\'') + 1).min(chars.len()),
        (Some(_), Some('\'')) => at + 3,
        _ => at,
    }
}

#[test]
fn comments_strings_and_characters_are_blanked() {
    let code = code_only(
        "a // std::fs\nb /* x /* y */ z */ c \"std::\\\"net\" d r#\"e \"f\" \"# g 'h' '\\'' 'static b\"i\" rust",
    );
    let words: Vec<&str> = code.split_whitespace().collect();
    assert_eq!(words, ["a", "b", "c", "d", "g", "'static", "rust"]);
}

#[test]
fn lines_are_kept_and_tests_cut() {
    let text = "fn a() {}\n/* 1\n2 */\n#[cfg(test)]\nuse x;\n#[cfg(test)]\nmod tests {\n fn b() {}\n}\n";
    let code = code_only(text);
    assert_eq!(code.lines().count(), text.lines().count());
    assert_eq!(before_tests(&code).lines().count(), 5);
    assert_eq!(before_tests("#[cfg(test)]\nmod tests;\nfn c() {}"), "#[cfg(test)]\nmod tests;\nfn c() {}");
}

#[test]
fn use_trees_are_written_out() {
    let paths = used_paths("pub use std::{fs::{self, File}, io as x};\nuse a::b;\nfn reuse () {}");
    assert_eq!(paths, ["std::fs::self", "std::fs::File", "std::io", "a::b"]);
}

#[test]
fn words_have_borders() {
    assert!(has_word("x.bincode()", "bincode") && !has_word("my_bincode bincodes", "bincode"));
}
