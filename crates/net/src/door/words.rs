//! The check words: plain, short, and no two that sound alike at the start.

/// The words that two bytes choose.
pub(super) fn words(bytes: [u8; 2]) -> [&'static str; 2] {
    bytes.map(|b| WORDS[usize::from(b)])
}

const WORDS: [&str; 256] = [
    "acorn", "actor", "alarm", "amber", "angle", "ankle", "apple", "apron", "arrow", "aspen", "attic",
    "autumn", "badge", "bagel", "banjo", "barrel", "basin", "beach", "beaver", "bench", "berry", "bishop",
    "blanket", "bonnet", "bottle", "bridge", "bucket", "bugle", "button", "cabin", "cactus", "camel",
    "candle", "canyon", "carpet", "castle", "cedar", "cello", "cherry", "chimney", "cider", "cinema",
    "circle", "clover", "cobalt", "coffee", "comet", "copper", "coral", "cotton", "cousin", "cradle",
    "cricket", "crown", "cuckoo", "curtain", "cymbal", "daisy", "dancer", "desert", "diamond", "dinner",
    "doctor", "dollar", "donkey", "dragon", "drawer", "drum", "eagle", "easel", "echo", "elbow", "elm",
    "ember", "engine", "fabric", "falcon", "farmer", "feather", "fiddle", "finger", "flag", "flute",
    "forest", "fossil", "fountain", "fox", "freckle", "funnel", "galaxy", "garden", "garlic", "ginger",
    "glacier", "glove", "goat", "grape", "gravel", "guitar", "hammer", "harp", "hazel", "helmet", "hermit",
    "hockey", "honey", "hornet", "hotel", "igloo", "indigo", "iris", "island", "ivory", "jacket", "jaguar",
    "jigsaw", "jungle", "kayak", "kennel", "kettle", "kitten", "knight", "ladder", "lantern", "laurel",
    "lemon", "letter", "lily", "lizard", "lobster", "locket", "lumber", "magnet", "mango", "marble",
    "meadow", "medal", "melon", "mirror", "mitten", "monkey", "mosaic", "mountain", "mural", "music",
    "mustard", "napkin", "nectar", "needle", "nickel", "noodle", "nutmeg", "oak", "oasis", "ocean", "olive",
    "onion", "opera", "orchard", "organ", "otter", "oven", "oxygen", "oyster", "paddle", "palace", "panda",
    "parrot", "peach", "pebble", "pencil", "pepper", "piano", "pigeon", "pillow", "pirate", "planet",
    "pocket", "poppy", "potato", "puddle", "pumpkin", "puppet", "quail", "quartz", "queen", "quilt",
    "rabbit", "radish", "raven", "ribbon", "river", "robin", "rocket", "rooster", "rubber", "saddle",
    "salmon", "sandal", "scarf", "school", "shadow", "silver", "sister", "skate", "sleeve", "snow",
    "soldier", "spider", "sponge", "squash", "stable", "summer", "swan", "table", "tailor", "teapot",
    "temple", "thistle", "ticket", "tiger", "timber", "toast", "tomato", "tractor", "trumpet", "tulip",
    "tunnel", "turkey", "twig", "umbrella", "uncle", "valley", "vanilla", "velvet", "vessel", "violin",
    "volcano", "waffle", "wagon", "walnut", "water", "wedding", "whistle", "willow", "window", "winter",
    "wizard", "wolf", "yarn", "yellow", "yogurt", "zebra", "zigzag", "zipper", "zoo",
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_differ_and_are_plain() {
        let mut seen: Vec<&str> = WORDS.to_vec();
        seen.sort_unstable();
        seen.dedup();
        assert_eq!(seen.len(), 256);
        assert!(WORDS.iter().all(|w| w.len() <= 8 && w.bytes().all(|b| b.is_ascii_lowercase())));
        assert_eq!(words([0, 255]), ["acorn", "zoo"]);
    }
}
