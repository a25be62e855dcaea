//! The page itself: small, alone, and only text where names are hostile.

use super::paper::check_paper;
use super::*;

#[test]
fn the_page_is_small_and_needs_nothing_else() {
    let folder = Folder::new("alone", NAME);
    let told = json(&run("sheet", folder.path(), &[FIELD, &["--json"]]));
    let page = folder.page();
    assert_eq!(told["html"]["bytes"], page.len());
    println!("the page has {} bytes", page.len());
    assert!(page.len() <= 400 * 1024, "{}", page.len());
    let without_meta = page.replace("http-equiv", "");
    for reaching in [
        "http",
        "//cdn",
        "@import",
        "url(",
        "<iframe",
        "<object",
        " src=",
        "fetch(",
        "XMLHttpRequest",
    ] {
        assert!(!without_meta.contains(reaching), "{reaching}");
    }
    // Inline handlers and styles would be blocked by its own policy.
    assert!(!page.contains(" style=") && !page.contains(" onclick="));
}

/// The longest list there can be, with a nudge after every frame.
#[test]
fn a_long_list_still_fits_a_phone() {
    let folder = Folder::new("long-list", NAME);
    let many = [
        "--sky-exposure",
        "10s f/2.8 ISO3200",
        "--sky-frames",
        "2000",
        "--nudge-every",
        "1",
        "--json",
    ];
    let output = run("sheet", folder.path(), &[&many]);
    // It has no room in the night, and says so.
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    let told: Value = serde_json::from_slice(&output.stdout).unwrap();
    let steps = told["sheet"]["steps"].as_array().unwrap();
    let sky = steps
        .iter()
        .filter(|s| s["kind"] == "sky")
        .map(|s| s["count"].as_u64().unwrap());
    assert_eq!(sky.sum::<u64>(), 2000);
    assert!(
        steps
            .iter()
            .any(|s| s["note"].as_str().unwrap().contains("after every frame"))
    );
    let page = folder.page();
    println!("{} lines, {} bytes", steps.len(), page.len());
    assert!(page.len() <= 400 * 1024, "{}", page.len());
    let output = run("sheet", folder.path(), &[&many, &["--recheck", "10s"]]);
    assert_eq!(output.status.code(), Some(2), "{}", said(&output));
    assert!(said(&output).contains("fewer re-checks"), "{}", said(&output));
}

#[test]
fn the_policy_names_exactly_what_stands_in_the_page() {
    let folder = Folder::new("policy", NAME);
    json(&run("sheet", folder.path(), &[FIELD, &["--json"]]));
    let page = folder.page();
    let policy = between(&page, "Content-Security-Policy\" content=\"", "\"");
    assert!(policy.starts_with("default-src 'none'"), "{policy}");
    assert!(!policy.contains("unsafe"), "{policy}");
    let style = between(&page, "<style>", "</style>");
    let script = between(&page, "<script>", "</script>");
    for (what, text) in [("style-src", style), ("script-src", script)] {
        let named = format!("{what} '{}'", digest::policy_hash(text));
        assert!(policy.contains(&named), "{named} is not in {policy}");
    }
    assert_eq!(page.matches("<script").count(), 2, "the data and the script");
    assert_eq!(page.matches("<style").count(), 1);
}

#[test]
fn a_hostile_name_is_text() {
    let name = "</title></script><script>alert(1)</script><img src=x onerror=alert(2)>\"'& \u{202e}egdiR";
    let folder = Folder::new("hostile", name);
    json(&run("sheet", folder.path(), &[FIELD, &["--json"]]));
    let page = folder.page();
    assert!(page.contains("&lt;script&gt;alert(1)&lt;/script&gt;"));
    for bad in ["<script>alert", "<img", "\u{202e}"] {
        assert!(!page.contains(bad), "{bad:?}");
    }
    assert_eq!(page.matches("<script").count(), 2);
    let block = between(&page, "id=\"data\">", "</script>");
    assert!(
        !block.contains(['<', '>', '&']),
        "the data could end their element"
    );
    let long = Folder::new("long", &"W".repeat(5000));
    let pdf = long.path().join("long.pdf");
    let out = run(
        "sheet",
        long.path(),
        &[FIELD, &["--json", "--pdf", pdf.to_str().unwrap()]],
    );
    let title = json(&out)["sheet"]["title"].as_str().unwrap().to_owned();
    assert!(title.ends_with('…') && title.chars().count() == 121, "{title}");
    check_paper(&fs::read(pdf).unwrap(), [419.53, 595.28]);
}

/// By night no colour holds any green or blue, so none can flash; the rest of the style names its inks only.
#[test]
fn the_night_looks_are_red_and_nothing_else() {
    let style = include_str!("../../../../pages/assets/sheet.css");
    let (screen, paper) = style.split_once("@media print").unwrap();
    let mut seen = 0;
    for rule in screen.split('}') {
        let night = rule.contains(":root{") || rule.contains(":root[data-look=dim]{");
        let day = rule.contains("data-look=day");
        for colour in rule
            .split('#')
            .skip(1)
            .map(|c| c.chars().take_while(char::is_ascii_hexdigit).collect::<String>())
        {
            let dark = (colour.len() == 6 && colour.ends_with("0000")) || colour == "000";
            if night {
                assert!(dark, "#{colour}");
                seen += 1;
            } else {
                // The names of elements begin with # too: none of them is as long as a colour and all digits.
                assert!(day || !matches!(colour.len(), 3 | 6), "#{colour} in {rule}");
            }
        }
    }
    assert!(seen >= 10, "{seen}");
    for named in [":white", " white;", "rgb(", "hsl(", "gray", "grey"] {
        assert!(!screen.contains(named), "{named}");
    }
    assert!(paper.contains("--paper:#fff;--ink:#000"));
}

#[test]
fn everything_that_opens_something_has_it() {
    let folder = Folder::new("names", NAME);
    json(&run("sheet", folder.path(), &[FIELD, &["--json"]]));
    let page = folder.page();
    let ids: Vec<&str> = page
        .split(" id=\"")
        .skip(1)
        .map(|r| r.split('"').next().unwrap())
        .collect();
    let mut once = ids.clone();
    once.sort_unstable();
    once.dedup();
    assert_eq!(once.len(), ids.len(), "an id stands twice");
    for opened in page.split("aria-controls=\"").skip(1) {
        let opened = opened.split('"').next().unwrap();
        assert!(ids.contains(&opened), "{opened}");
    }
    let keys: Vec<&str> = page
        .split("data-tick=\"")
        .skip(1)
        .map(|r| r.split('"').next().unwrap())
        .collect();
    let mut unique = keys.clone();
    unique.sort_unstable();
    unique.dedup();
    assert_eq!(unique.len(), keys.len(), "a tick's name stands twice");
    assert!(keys.len() > 40, "{}", keys.len());
    assert_eq!(page.matches("<input").count(), keys.len());
    assert_eq!(
        page.matches("<label>").count(),
        keys.len(),
        "every box has its words"
    );
}

#[test]
fn equal_plans_are_one_sheet_and_others_another() {
    let folder = Folder::new("equal", NAME);
    let id = |args: &[&str]| json(&run("sheet", folder.path(), &[args, &["--json"]]))["sheet"]["id"].clone();
    let (first, page) = (id(FIELD), folder.page());
    assert_eq!(id(FIELD), first);
    assert_eq!(folder.page(), page);
    assert_ne!(id(&["--sky-exposure", "60s f/2.8 ISO800"]), first);
    assert_eq!(first.as_str().unwrap().len(), 16);
}
