use super::*;
use crate::random::from_seed;
use crate::yard::testing;
use std::fs;
use std::path::Path;

fn joined() -> (tempfile::TempDir, Yard, Unlocked) {
    let dir = tempfile::tempdir().unwrap();
    let yard = testing::yard(dir.path());
    let unlocked = yard.unlock(testing::PASSPHRASE).unwrap();
    let key = "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a";
    let text = fs::read_to_string(yard.path("yard.toml")).unwrap();
    let server = format!("{text}\n[server]\naddresses = [\"http://127.0.0.1:1\"]\nkey = \"{key}\"\n");
    fs::write(yard.path("yard.toml"), server).unwrap();
    let yard = Yard::open(yard.dir()).unwrap();
    (dir, yard, unlocked)
}

fn open(yard: &Yard) -> Yard {
    Yard::open(yard.dir()).unwrap()
}

fn private(unlocked: &Unlocked, role: Role) -> PublicKey {
    PublicKey(unlocked.signing_key(role).unwrap().verifying_key().to_bytes())
}

#[test]
fn new_keys_stand_beside_the_old_ones_until_they_take_their_place() {
    let (_dir, yard, unlocked) = joined();
    let mut rng = from_seed(3);
    let old = yard.public_keys;
    assert!(matches!(renew(&yard, &unlocked, &[], None, &mut rng), Err(KeysError::Nothing)));
    let before = anchors(&yard).unwrap();
    let yard = renew(&yard, &unlocked, &[Role::Root, Role::Image], None, &mut rng).unwrap();
    assert_eq!(under_way(&yard), "root key, image key");
    let next = yard.next.roles;
    let both = anchors(&yard).unwrap();
    assert_eq!(both.image.as_slice(), [old[1], next[1].unwrap()]);
    assert_eq!((both.root, both.bundle.as_slice()), (next[0].unwrap(), &[old[2]][..]));
    assert_eq!(private(&unlocked, Role::Image), old[1], "signed with the old key still");
    let again = renew(&yard, &unlocked, &[Role::Bundle], None, &mut rng);
    assert!(matches!(again, Err(KeysError::UnderWay(_))));

    for role in Role::ALL {
        unlocked.promote(role).unwrap();
        unlocked.promote(role).unwrap();
    }
    let yard = open(&yard);
    assert_eq!(yard.public_keys, [next[0].unwrap(), next[1].unwrap(), old[2]]);
    assert!(!yard.next.any());
    for role in Role::ALL {
        assert_eq!(private(&unlocked, role), yard.public_key(role));
        let kept = unlocked.signing_key_of(role, &old[role.index()]).unwrap().unwrap();
        assert_eq!(kept.verifying_key().to_bytes(), old[role.index()].0);
    }
    assert_eq!(unlocked.signing_key_of(Role::Root, &old[1]).unwrap(), None, "of another role");
    // What the first starter cards had is still known.
    assert_eq!(Sets::open(&yard).unwrap().of("barn", 0).unwrap(), Some(before));
}

/// A power cut after any file was written: the change goes on when it is run again, and no key is
/// lost on the way.
#[test]
fn taking_the_place_can_be_interrupted_anywhere() {
    let files = |yard: &Yard| -> Vec<String> {
        let mut all: Vec<_> = ["keys", "keys/old"]
            .into_iter()
            .flat_map(|d| fs::read_dir(yard.path(d)).into_iter().flatten())
            .map(|e| e.unwrap().path())
            .filter(|p| p.is_file())
            .map(|p| p.strip_prefix(yard.dir()).unwrap().to_str().unwrap().to_owned())
            .collect();
        all.sort();
        all
    };
    let copy = |from: &Yard, to: &Path| {
        for name in files(from) {
            fs::create_dir_all(to.join(&name).parent().unwrap()).unwrap();
            fs::copy(from.path(&name), to.join(&name)).unwrap();
        }
    };
    let (_dir, yard, unlocked) = joined();
    let old = yard.public_key(Role::Image);
    let yard = renew(&yard, &unlocked, &[Role::Image], None, &mut from_seed(4)).unwrap();
    let next = yard.next.of(Role::Image).unwrap();
    let start = tempfile::tempdir().unwrap();
    copy(&yard, start.path());
    unlocked.promote(Role::Image).unwrap();
    let end = tempfile::tempdir().unwrap();
    copy(&open(&yard), end.path());
    let id: String = old.to_string().chars().take(32).collect();
    // In the order in which promote writes them; the last two are removals.
    let steps = [
        format!("keys/old/image-{id}.box"),
        format!("keys/old/image-{id}.pub"),
        "keys/image.box".to_owned(),
        "keys/image.pub".to_owned(),
        "keys/image-next.pub".to_owned(),
        "keys/image-next.box".to_owned(),
    ];
    for cut in 0..=steps.len() {
        let _ = fs::remove_dir_all(yard.path("keys/old"));
        for (n, name) in steps.iter().enumerate() {
            let from = if n < cut { &end } else { &start };
            let to = yard.path(name);
            fs::create_dir_all(to.parent().unwrap()).unwrap();
            let _ = fs::remove_file(&to);
            if from.path().join(name).exists() {
                fs::copy(from.path().join(name), &to).unwrap();
            }
        }
        assert!(unlocked.signing_key_of(Role::Image, &old).unwrap().is_some(), "cut {cut}");
        unlocked.promote(Role::Image).unwrap();
        let now = open(&yard);
        assert_eq!((now.public_key(Role::Image), now.next.any()), (next, false), "cut {cut}");
        assert_eq!(private(&unlocked, Role::Image), next, "cut {cut}");
        assert!(unlocked.signing_key_of(Role::Image, &old).unwrap().is_some(), "cut {cut}");
        // And the next change makes a key that is new.
        let made = unlocked.make_next_key(Role::Image, &mut from_seed(90 + cut as u64)).unwrap();
        assert!(made != next && made != old, "cut {cut}");
        unlocked.put_aside_next(Role::Image).unwrap();
        assert!(unlocked.signing_key_of(Role::Image, &made).unwrap().is_some(), "cut {cut}");
    }
}

#[test]
fn a_servers_key_that_is_no_new_one_is_refused_before_anything_is_written() {
    let (_dir, yard, unlocked) = joined();
    let mut rng = from_seed(5);
    let server = anchors(&yard).unwrap().server;
    for bad in [server, yard.public_key(Role::Root), PublicKey([0; 32])] {
        let refused = renew(&yard, &unlocked, &[Role::Image], Some(bad), &mut rng);
        assert!(matches!(refused, Err(KeysError::Anchors(_))), "{refused:?}");
        assert!(!open(&yard).next.any());
    }
    let good = PublicKey(ed25519_dalek::SigningKey::from_bytes(&[9; 32]).verifying_key().to_bytes());
    let yard = renew(&yard, &unlocked, &[], Some(good), &mut rng).unwrap();
    assert_eq!(anchors(&yard).unwrap().server_next, Some(good));
    assert_eq!(under_way(&yard), "server's key");
}

#[test]
fn sets_are_remembered_by_number_and_damage_is_told() {
    let (_dir, yard, unlocked) = joined();
    let first = anchors(&yard).unwrap();
    let mut sets = Sets::open(&yard).unwrap();
    assert_eq!(sets.of("barn", 0).unwrap(), None);
    sets.note_first(&first).unwrap();
    let yard = renew(&yard, &unlocked, &[Role::Bundle], None, &mut from_seed(6)).unwrap();
    let second = anchors(&yard).unwrap();
    let mut sets = Sets::open(&yard).unwrap();
    sets.note_first(&second).unwrap();
    sets.note_card("gate", &second).unwrap();
    sets.note_set(7, &pintle_protocol::id::Digest([1; 32]), &second).unwrap();
    let sets = Sets::open(&yard).unwrap();
    assert_eq!(sets.of("barn", 0).unwrap(), Some(first));
    assert_eq!(sets.of("gate", 0).unwrap(), Some(second.clone()));
    assert_eq!(sets.of("barn", 7).unwrap(), Some(second));
    assert_eq!(sets.of("barn", 8).unwrap(), None);
    let path = yard.path("state/anchors.toml");
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, text.replace("anchors = \"a", "anchors = \"b")).unwrap();
    assert!(Sets::open(&yard).unwrap().of("barn", 7).is_err());
    fs::write(&path, "frist = 1\n").unwrap();
    assert!(Sets::open(&yard).is_err());
}

#[test]
fn every_sentence_names_what_to_do() {
    let errors = [
        KeysError::None,
        KeysError::Nothing,
        KeysError::ServerKey,
        KeysError::UnderWay("image key".into()),
        KeysError::NotAll(vec!["barn".into()]),
        KeysError::NotSwitched,
        KeysError::Switched,
        KeysError::NoRoot { node: "barn".into(), root: PublicKey([1; 32]) },
    ];
    for error in errors {
        let error = crate::error::CliError::from(error);
        let words = error.to_string();
        assert!(!words.contains("::") && !words.ends_with('.'), "{words}");
        assert!(error.hint().is_some(), "{words}");
    }
}
