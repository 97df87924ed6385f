//! The contents page of the server: what answers where, and to whom. Served is what stands in the
//! contract's table of routes, and nothing else.

use crate::access;
use crate::app::App;
use crate::contract::routes::ROUTES;
use crate::pages::Headers;
use crate::{api, health, metrics, node_api, pages};
use actix_web::middleware::{DefaultHeaders, from_fn};
use actix_web::{Resource, Route, web};

/// `/api/v1` for the operator, `/node` for nodes, pages for everybody who was signed in.
pub(crate) fn configure(app: App) -> impl FnOnce(&mut web::ServiceConfig) {
    move |at| {
        let api = served("/api/v1", api::handler, || web::to(api::wrong_method));
        let api = api.into_iter().fold(web::scope("/api/v1"), |scope, (path, resource)| {
            // Bound to what matched, so that no spelling of a path leads around it.
            let needs = access::needs(path);
            scope.service(
                resource.wrap(from_fn(move |request, next| access::check_need(needs.clone(), request, next))),
            )
        });
        let api = api.default_service(web::to(api::no_such_route)).wrap(from_fn(access::know_caller));
        let node = served("/node", node_api::handler, || web::to(node_api::nothing));
        let node = node.into_iter().fold(web::scope("/node"), |scope, (_, resource)| scope.service(resource));
        at.app_data(web::Data::new(app))
            .service(api)
            .service(node.default_service(web::to(node_api::nothing)));
        for (_, resource) in served("", pages::handler, || web::to(pages::nothing_here)) {
            at.service(resource);
        }
        for (_, resource) in served("", health::handler, || web::to(health::wrong_method)) {
            at.service(resource);
        }
        for (path, resource) in served("", metrics::handler, || web::to(api::wrong_method)) {
            let needs = access::needs(path);
            let checked =
                resource.wrap(from_fn(move |request, next| access::check_need(needs.clone(), request, next)));
            at.service(checked.wrap(from_fn(access::know_caller)));
        }
        at.default_service(web::to(pages::nothing_here));
    }
}

/// A resource for every path of the table that one part of the server answers.
fn served(
    scope: &str,
    handler: fn(&str, &str) -> Option<Route>,
    otherwise: fn() -> Route,
) -> Vec<(&'static str, Resource)> {
    let mut resources: Vec<(&'static str, Resource)> = Vec::new();
    for route in ROUTES {
        let Some(answer) = handler(route.method, route.path) else { continue };
        let at = match resources.iter().position(|(path, _)| *path == route.path) {
            Some(at) => at,
            None => {
                let path = route.path.strip_prefix(scope).unwrap_or(route.path);
                resources.push((route.path, web::resource(path).default_service(otherwise())));
                resources.len() - 1
            }
        };
        let (path, resource) = resources.swap_remove(at);
        resources.push((path, resource.route(answer)));
    }
    resources
}

/// Headers on every answer.
pub(crate) fn headers(hsts: bool) -> DefaultHeaders {
    Headers::new().all(hsts).into_iter().fold(DefaultHeaders::new(), DefaultHeaders::add)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::access::Need;
    use crate::contract::routes::Who;

    #[test]
    fn every_route_of_the_table_is_answered_by_exactly_one_part() {
        for route in ROUTES {
            let parts = [api::handler, node_api::handler, pages::handler, health::handler, metrics::handler];
            let answered = parts.iter().filter(|part| part(route.method, route.path).is_some()).count();
            assert_eq!(answered, 1, "{} {}", route.method, route.path);
        }
    }

    #[test]
    fn whoever_only_looks_can_reach_nothing_that_changes() {
        for route in ROUTES.iter().filter(|r| r.path.starts_with("/api/")) {
            let changes = route.method != "GET";
            assert_eq!(route.who, if changes { Who::Operator } else { Who::Viewer }, "{}", route.path);
            let need = access::needs(route.path).of(route.method);
            assert_eq!(need, if changes { Need::Operator } else { Need::Token }, "{}", route.path);
        }
    }
}
