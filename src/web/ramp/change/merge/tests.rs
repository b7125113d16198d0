//! Forms of a change, filled in and merged, without a page. All people and places are invented.

use serde_json::{Value, json};

use super::*;
use crate::web::typed::Typed;

/// Five crew of whom the second was taken off; three contacts of whom the first is asked last.
fn document() -> Value {
    let text = json!({
        "title": "Halibut drift",
        "times": {"launch": "2026-06-14T05:30:15-07:00", "return_by": "2026-06-14T12:30:45-07:00",
                  "zone": "America/Vancouver"},
        "pace": {"speed_kn": 3.0},
        "launch": {"position": "48.542 -123.162", "vehicle": "Green van"},
        "waypoint": [{"name": "Kelp edge", "position": "48.55 -123.2", "stay": "2h"}],
        "crew": [
            {"name": "Ines Halloran", "medical": "Asthma", "age": 44,
             "experience": "Ten years\r\nof tides"},
            {"name": "Gone Before"},
            {"name": "Tomas Bright", "medical": "Bee stings"},
        ],
        "craft": [{"kind": "Kayak", "length_m": 5.0, "colours": "red"}, {"kind": "Canoe"}],
        "gear": {"vhf": "handheld", "light": true},
        "contact": [
            {"name": "Dunstan Okafor", "email": "dunstan@example.org", "relation": "Brother"},
            {"name": "Mirela Sandoval", "email": "mirela@example.org"},
        ],
    });
    let plan = read_json(&text.to_string(), &|_| Err(String::new())).unwrap();
    serde_json::to_value(&plan).unwrap()
}

fn standing() -> Standing {
    Standing::new(document(), vec![0, 2], vec![1, 0])
}

/// What a browser sends of this form when these fields are typed over.
fn sent(standing: &Standing, over: &[(&str, &str)]) -> Typed {
    let shown = standing.shown.pairs();
    let mut pairs: BTreeMap<String, String> =
        shown.map(|(name, value)| (name.to_owned(), value.replace('\n', "\r\n"))).collect();
    pairs.extend(over.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned())));
    pairs.into_iter().collect()
}

fn changed(over: &[(&str, &str)]) -> Result<Plan, Faults> {
    let standing = standing();
    let filled = standing.fill(&standing.shown, &sent(&standing, over));
    assert!(filled.meanwhile.is_empty());
    merge(&standing, &filled.draft)
}

/// The plan's document, without the places of those who were taken off.
fn expected(change: impl FnOnce(&mut Value)) -> Value {
    let mut document = document();
    let crew = document["crew"].clone();
    document["crew"] = json!([crew[0], crew[2]]);
    let contacts = document["contact"].clone();
    document["contact"] = json!([contacts[1], contacts[0]]);
    change(&mut document);
    document
}

fn keys(faults: &Faults) -> Vec<&str> {
    faults.list().iter().map(|fault| fault.key.as_str()).collect()
}

#[test]
fn an_untouched_form_is_the_plan_to_the_second_and_shows_nothing_of_health() {
    let plan = changed(&[]).unwrap();
    assert_eq!(serde_json::to_value(&plan).unwrap(), expected(|_| {}));
    let shown = format!("{:?}", standing().shown);
    assert!(!shown.contains("Asthma") && !shown.contains("Bee"), "{shown}");
    assert!(!shown.contains("Gone"), "who was taken off has no row");
}

#[test]
fn one_field_changes_one_thing() {
    let plan = changed(&[("launch.vehicle", "Blue car"), ("crew[2].phone", "555 0123")]).unwrap();
    let wanted = expected(|plan| {
        plan["launch"]["vehicle"] = json!("Blue car");
        plan["crew"][1]["phone"] = json!("555 0123");
    });
    assert_eq!(serde_json::to_value(&plan).unwrap(), wanted);
    let plan = changed(&[("gear.vhf", ""), ("pace.speed_kn", "2,5")]).unwrap();
    let wanted = expected(|plan| {
        plan["gear"] = json!({"light": true});
        plan["pace"]["speed_kn"] = json!(2.5);
    });
    assert_eq!(serde_json::to_value(&plan).unwrap(), wanted);
}

#[test]
fn a_friend_another_contact_and_another_craft_come_behind() {
    let over = [
        ("crew[4].name", "Pia Lindqvist"),
        ("crew[4].medical", "Penicillin"),
        ("contact[3].name", "Anouk Visser"),
        ("contact[3].email", "anouk@example.org"),
        ("craft[3].kind", "Paddleboard"),
    ];
    let wanted = expected(|plan| {
        let push = |plan: &mut Value, one| plan.as_array_mut().unwrap().push(one);
        push(&mut plan["crew"], json!({"name": "Pia Lindqvist", "medical": "Penicillin"}));
        let anouk = json!({"name": "Anouk Visser", "email": "anouk@example.org"});
        push(&mut plan["contact"], anouk);
        push(&mut plan["craft"], json!({"kind": "Paddleboard"}));
    });
    assert_eq!(serde_json::to_value(changed(&over).unwrap()).unwrap(), wanted);
}

#[test]
fn notes_stay_are_replaced_or_end_by_a_word() {
    let medical = |over: &[(&str, &str)]| -> Vec<Option<String>> {
        changed(over).unwrap().crew.into_iter().map(|one| one.medical).collect()
    };
    let some = |text: &str| Some(text.to_owned());
    assert_eq!(medical(&[("crew[1].age", "45")]), [some("Asthma"), some("Bee stings")]);
    assert_eq!(medical(&[("crew[1].medical", "None known")])[0], some("None known"));
    assert_eq!(medical(&[("crew[2].medical.none", "yes")]), [some("Asthma"), None]);
    // Another way of writing a name is the same person, as in any amendment.
    assert_eq!(medical(&[("crew[2].name", "TOMAS BRIGHT")])[1], some("Bee stings"));
    let both = [("crew[1].medical", "x"), ("crew[1].medical.none", "yes")];
    assert_eq!(keys(&changed(&both).unwrap_err()), ["crew[1].medical"]);
}

#[test]
fn notes_go_to_no_other_name() {
    let renamed = ("crew[2].name", "Tobias Bright");
    let faults = changed(&[renamed]).unwrap_err();
    assert_eq!(keys(&faults), ["crew[2].medical"]);
    let plan = changed(&[renamed, ("crew[2].medical.none", "yes")]).unwrap();
    assert_eq!(plan.crew[1].medical, None);
    let plan = changed(&[renamed, ("crew[2].medical", "Wasps")]).unwrap();
    assert_eq!(plan.crew[1].medical.as_deref(), Some("Wasps"));
    // The same is asked of somebody of whom nothing was filed: the answer tells nothing.
    let none =
        Standing::new(expected(|plan| plan["crew"][1] = json!({"name": "T"})), vec![0, 1], vec![0]);
    let filled = none.fill(&none.shown, &sent(&none, &[("crew[2].name", "U")]));
    assert_eq!(keys(&merge(&none, &filled.draft).unwrap_err()), ["crew[2].medical"]);
}

#[test]
fn two_rows_do_not_change_names() {
    let none = [("crew[1].medical.none", "yes"), ("crew[2].medical.none", "yes")];
    let swapped = [("crew[1].name", "Tomas Bright"), ("crew[2].name", "Ines Halloran")];
    let faults = changed(&[none, swapped].concat()).unwrap_err();
    assert_eq!(keys(&faults), ["crew[1].name", "crew[2].name"]);
    // Taken off in one row and written in another, the notes would be lost, or another's.
    let again = [("crew[2].off", "yes"), ("crew[3].name", "tomas bright")];
    assert_eq!(keys(&changed(&again).unwrap_err()), ["crew[3].name"]);
    let twice = [("crew[3].name", "Tomas Bright")];
    assert_eq!(keys(&changed(&twice).unwrap_err()), ["crew[3].name"]);
}

#[test]
fn only_a_tick_takes_somebody_off() {
    let plan = changed(&[("crew[1].off", "yes"), ("contact[1].off", "yes")]).unwrap();
    assert_eq!(plan.crew.iter().map(|one| one.name.as_str()).collect::<Vec<_>>(), ["Tomas Bright"]);
    assert_eq!(plan.crew[0].medical.as_deref(), Some("Bee stings"));
    assert_eq!(plan.contacts[0].name, "Dunstan Okafor");
    let emptied = changed(&[("crew[1].name", ""), ("contact[2].name", "")]).unwrap_err();
    assert_eq!(keys(&emptied), ["crew[1].name", "contact[2].name"]);
    assert!(emptied.list()[0].mend.contains("tick"), "{emptied}");
    let all = changed(&[("crew[1].off", "yes"), ("crew[2].off", "yes")]).unwrap_err();
    assert_eq!(keys(&all), ["crew[1].name"]);
    // A form that has lost its rows takes nobody off.
    let standing = standing();
    let filled = standing.fill(&standing.shown, &Typed::default());
    let plan = merge(&standing, &filled.draft).unwrap();
    assert_eq!(serde_json::to_value(&plan).unwrap(), expected(|_| {}));
}

#[test]
fn faults_stand_in_the_rows_of_the_form_though_others_are_off() {
    let over = [
        ("crew[1].off", "yes"),
        ("crew[2].age", "old"),
        ("crew[3].phone", "?"),
        ("contact[1].off", "yes"),
        ("contact[3].name", "Pia"),
        ("contact[3].email", "pia@"),
    ];
    let faults = changed(&over).unwrap_err();
    assert_eq!(keys(&faults), ["crew[2].age", "crew[3].name", "crew[3].phone", "contact[3].email"]);
}

#[test]
fn what_has_no_row_is_kept() {
    let mut document = document();
    let crew =
        (0..20).map(|at| json!({"name": format!("Paddler {at}"), "medical": format!("m{at}")}));
    document["crew"] = crew.collect();
    let point = |at: i32| json!({"name": format!("a; b {at}"), "position": "48.55 -123.2"});
    document["waypoint"] = (0..300).map(point).collect();
    let craft = (0..15).map(|at| json!({"kind": format!("Kayak {at}")}));
    document["craft"] = craft.collect();
    let standing = Standing::new(document.clone(), (0..20).collect(), vec![0, 1]);
    assert!(!standing.shows_route);
    assert_eq!((standing.kept("crew"), standing.kept("craft")), (8, 3));
    let over = [("crew[13].name", "Pia"), ("title", "Another"), ("waypoint[1].position", "0 0")];
    let filled = standing.fill(&standing.shown, &sent(&standing, &over));
    let plan = serde_json::to_value(merge(&standing, &filled.draft).unwrap()).unwrap();
    document["title"] = json!("Another");
    document["crew"].as_array_mut().unwrap().push(json!({"name": "Pia"}));
    assert_eq!(plan, document);
    // One point that a line can't tell keeps the whole route.
    let mut few = self::document();
    few["waypoint"] = (0..5).map(point).collect();
    assert!(!Standing::new(few, vec![0], vec![0]).shows_route);
}

#[test]
fn a_route_is_typed_anew_or_stays() {
    let plan = changed(&[("more_waypoints", "Rip; 48.56 -123.21; 45m")]).unwrap();
    assert_eq!(plan.waypoints.len(), 2);
    assert_eq!(plan.waypoints[0].stay.unwrap().to_string(), "2h");
    let wrong = changed(&[
        ("waypoint[1].position", ""),
        ("waypoint[1].name", ""),
        ("waypoint[1].stay", ""),
        ("more_waypoints", "nowhere"),
    ]);
    assert_eq!(keys(&wrong.unwrap_err()), ["waypoint[1].position"]);
}

#[test]
fn another_launch_gives_its_own_zone_and_a_chosen_one_stays() {
    // Chosen: the launch lies in America/Los_Angeles.
    let moved = ("launch.position", "45.5 -84.6");
    assert_eq!(changed(&[moved]).unwrap().times.zone.name(), "America/Vancouver");
    let given = expected(|plan| plan["times"]["zone"] = json!("America/Los_Angeles"));
    let standing = Standing::new(given, vec![0, 1], vec![0, 1]);
    let filled = standing.fill(&standing.shown, &sent(&standing, &[moved]));
    let plan = merge(&standing, &filled.draft).unwrap();
    assert_eq!(plan.times.zone.name(), "America/Detroit");
    assert_eq!(plan.times.return_by.at.to_rfc3339(), "2026-06-14T19:30:45+00:00", "same instant");
}

/// Two people change the plan at once: the later keeps what the earlier did elsewhere.
#[test]
fn of_two_changes_at_once_each_keeps_what_the_other_left_alone() {
    let old = standing();
    let newer = |change: &dyn Fn(&mut Value)| {
        let mut document = document();
        change(&mut document);
        document
    };
    let now = Standing::new(
        newer(&|plan| {
            plan["launch"]["vehicle"] = json!("Red van");
            plan["times"]["return_by"] = json!("2026-06-14T14:00:00-07:00");
            plan["crew"].as_array_mut().unwrap().push(json!({"name": "Pia", "medical": "x"}));
        }),
        vec![0, 2, 3],
        vec![1, 0],
    );
    let over = [("launch.vehicle", "Blue car"), ("crew[2].age", "30"), ("crew[3].name", "Anouk")];
    let filled = now.fill(&old.shown, &sent(&old, &over));
    let told: Vec<_> =
        filled.meanwhile.iter().map(|(key, now)| (key.as_str(), now.as_str())).collect();
    assert_eq!(told, [("launch.vehicle", "Red van")]);
    let plan = merge(&now, &filled.draft).unwrap();
    let crew: Vec<_> = plan.crew.iter().map(|one| (one.name.as_str(), one.age)).collect();
    let wanted =
        [("Ines Halloran", Some(44)), ("Tomas Bright", Some(30)), ("Pia", None), ("Anouk", None)];
    assert_eq!(crew, wanted);
    assert_eq!(plan.crew[2].medical.as_deref(), Some("x"));
    assert_eq!(plan.times.return_by.at.to_rfc3339(), "2026-06-14T21:00:00+00:00");
    assert_eq!(plan.launch.vehicle.as_deref(), Some("Blue car"));

    // Whoever was taken off meanwhile comes back only where something was typed of them.
    let gone = Standing::new(document(), vec![0], vec![1, 0]);
    let filled = gone.fill(&old.shown, &sent(&old, &[("title", "Another")]));
    assert_eq!(merge(&gone, &filled.draft).unwrap().crew.len(), 1);
    let filled = gone.fill(&old.shown, &sent(&old, &[("crew[2].age", "30")]));
    assert!(filled.meanwhile["crew[2].name"].contains("brings them back"));
    let plan = merge(&gone, &filled.draft).unwrap();
    assert_eq!(
        (plan.crew[1].name.as_str(), plan.crew[1].medical.as_deref()),
        ("Tomas Bright", None)
    );

    // A list that both changed is told as a whole.
    let other = Standing::new(
        newer(&|plan| plan["craft"] = json!([{"kind": "Raft"}])),
        vec![0, 2],
        vec![1, 0],
    );
    let filled = other.fill(&old.shown, &sent(&old, &[("craft[2].colours", "green")]));
    assert_eq!(filled.meanwhile["craft"], "Raft");
    assert_eq!(merge(&other, &filled.draft).unwrap().craft.len(), 2);
}
