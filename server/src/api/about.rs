//! Who answers.

use crate::app::App;
use crate::contract::About;
use actix_web::web;
use pintle_protocol::checkin::PROTOCOL;

pub(super) async fn show(app: web::Data<App>) -> web::Json<About> {
    web::Json(About {
        name: "pintle-server".to_owned(),
        protocol: PROTOCOL,
        version: env!("CARGO_PKG_VERSION").to_owned(),
        time: app.wall(),
        server_key: app.server_key(),
        trouble: app.db.trouble().map(|why| why.to_string()),
    })
}
