//! What happens by itself as time passes.

use crate::app::App;
use crate::clock::keeper::Keeper;
use crate::contract::Seconds;
use crate::ops;
use crate::store::{Db, StoreFault, history};
use crate::tls::Certificates;
use actix_web::rt;

/// Ticks for as long as it is polled; not at all with a clock that is set by hand.
pub(crate) async fn keep_ticking(app: App) {
    if app.time.is_manual() {
        return;
    }
    loop {
        rt::time::sleep(app.tick).await;
        renew(app.certificates.as_deref(), app.wall());
        let (now, changes) = (app.now(), app.time.take_changes());
        let noting = changes.clone();
        let ticked: Result<(), StoreFault> = app.db.write(move |conn| ops::tick(conn, &noting, now)).await;
        app.pulse.note(&ticked, app.time.counted());
        if ticked.is_err() {
            app.time.give_back(changes);
        }
        let thinned = match ticked {
            Ok(()) => thin(&app, now).await,
            Err(fault) => Err(fault),
        };
        // That nothing can be written is logged once, by the store.
        if let Err(fault) = thinned
            && fault.unwritable().is_none()
        {
            tracing::error!(cause = %fault, "Rollouts could not be evaluated, or history could not be thinned out");
        }
    }
}

/// One tick, for a thread that may wait.
pub(crate) fn tick_once(app: &App) -> Result<(), StoreFault> {
    renew(app.certificates.as_deref(), app.wall());
    let ticked = evaluate(&app.time, &app.db);
    app.pulse.note(&ticked, app.time.counted());
    ticked
}

/// Evaluates every rollout now, and writes down how the machine's clock was set since the last time.
pub(crate) fn evaluate(time: &Keeper, db: &Db) -> Result<(), StoreFault> {
    let (now, changes) = (time.now(), time.take_changes());
    let noting = changes.clone();
    let ticked = db.write_blocking(move |conn| ops::tick(conn, &noting, now));
    if ticked.is_err() {
        time.give_back(changes);
    }
    ticked
}

/// Steps that are taken after each tick at most in thinning out what nodes said long ago: 10,000 rows, as many as
/// 2,000 check-ins a second make. Check-ins come in between.
const THINNING: usize = 20;

async fn thin(app: &App, now: Seconds) -> Result<(), StoreFault> {
    for _ in 0..THINNING {
        let more: bool = app.db.write::<_, StoreFault, _>(move |conn| history::thin(conn, now)).await?;
        if !more {
            break;
        }
    }
    Ok(())
}

/// Makes certificates anew that near their end. Where that fails those in use go on to their end.
fn renew(certificates: Option<&Certificates>, now: Seconds) {
    match certificates.map(|certificates| certificates.renew(now)) {
        None | Some(Ok(false)) => {}
        Some(Ok(true)) => tracing::info!("A certificate neared its end and was made anew"),
        Some(Err(fault)) => {
            tracing::error!(cause = %fault, "A certificate nears its end and could not be made anew");
        }
    }
}
