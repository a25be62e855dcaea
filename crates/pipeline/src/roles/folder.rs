//! Roles from the names of sub-folders.

use nightloom_outing::Role;

/// Words that name a role, lower case. English, German, French, Spanish, Italian, Portuguese, Dutch.
const WORDS: [(Role, &[&str]); 5] = [
    (
        Role::Sky,
        &[
            "sky",
            "skies",
            "star",
            "stars",
            "tracked",
            "light",
            "lights",
            "himmel",
            "sterne",
            "ciel",
            "etoiles",
            "étoiles",
            "cielo",
            "estrellas",
            "stelle",
            "céu",
            "ceu",
            "estrelas",
            "hemel",
            "sterren",
        ],
    ),
    (
        Role::Land,
        &[
            "land",
            "landscape",
            "foreground",
            "foregrounds",
            "fg",
            "ground",
            "fixed",
            "untracked",
            "vordergrund",
            "boden",
            "landschaft",
            "terre",
            "paysage",
            "suelo",
            "tierra",
            "paisaje",
            "terra",
            "paesaggio",
            "chão",
            "paisagem",
            "voorgrond",
            "landschap",
        ],
    ),
    (
        Role::Dark,
        &[
            "dark",
            "darks",
            "dunkel",
            "dunkelbilder",
            "noir",
            "noirs",
            "oscuro",
            "oscuros",
            "buio",
            "escuro",
            "escuros",
            "donker",
        ],
    ),
    (
        Role::Flat,
        &[
            "flat",
            "flats",
            "flatfield",
            "flatfields",
            "hellfeld",
            "plano",
            "planos",
            "piatto",
        ],
    ),
    (
        Role::Bias,
        &["bias", "biases", "offset", "offsets", "zero", "zeros"],
    ),
];

/// The role that the sub-folders of a frame's path name, and the folder that does; the nearest
/// folder counts most. A folder whose words name two roles (“dark sky”) names none.
///
/// `name` is the path inside the outing with `/`.
pub fn role_of_folder(name: &str) -> Option<(Role, &str)> {
    let mut folders: Vec<&str> = name.split('/').collect();
    folders.pop();
    folders
        .into_iter()
        .rev()
        .find_map(|folder| role_of_words(folder).map(|role| (role, folder)))
}

fn role_of_words(folder: &str) -> Option<Role> {
    let lower = folder.to_lowercase();
    let words = lower
        .split(|c: char| !c.is_alphabetic())
        .filter(|w| !w.is_empty());
    let mut roles = words.filter_map(role_of_word);
    let first = roles.next()?;
    roles.all(|r| r == first).then_some(first)
}

fn role_of_word(word: &str) -> Option<Role> {
    WORDS
        .iter()
        .find(|(_, words)| words.contains(&word))
        .map(|(role, _)| *role)
}
