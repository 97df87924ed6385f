//! Every route: as a table for the server and the documentation, and as functions for clients.

use super::{
    About, Admit, Approve, CheckInView, ClaimView, EnvelopeStored, ExpectNode, JournalCheck, JournalHead,
    JournalPage, MOST_ENTRIES, MOST_LISTED, MOST_ROLLOUTS, NewRollout, NodeView, Note, PayloadStored, Retire,
    RolloutView, SignInLink, SuitReportView, USUAL_ENTRIES,
};
use pintle_protocol::id::{Digest, NodeId};
use schemars::{JsonSchema, Schema, SchemaGenerator};

/// Who may call a route.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Who {
    /// Anybody.
    Anybody,
    /// Anybody; the message proves by itself who sent it.
    Node,
    /// Bearer of any token in force: an operator's, or a viewer's, which looks and changes nothing.
    Viewer,
    /// Bearer of an operator's token.
    Operator,
    /// A browser that was signed in by a link.
    Browser,
}

/// Writes the schema of a type of the contract.
pub type Shape = fn(&mut SchemaGenerator) -> Schema;

const fn shape<T: JsonSchema>() -> Shape {
    SchemaGenerator::subschema_for::<T>
}

/// What the body of a request is.
#[derive(Clone, Copy, Debug)]
pub enum Takes {
    /// There is none.
    Nothing,
    /// JSON.
    Json(Shape),
    /// JSON, or nothing at all.
    MaybeJson(Shape),
    /// Bytes as they are.
    Bytes,
}

/// What a request may hold in its query.
#[derive(Clone, Copy, Debug)]
pub enum Query {
    /// A number.
    Number(Number),
    /// A node, in hexadecimal: its name in the query, and what it says.
    Node(&'static str, &'static str),
}

/// A number in the query of a request.
#[derive(Clone, Copy, Debug)]
pub struct Number {
    /// Its name.
    pub name: &'static str,
    /// What it says.
    pub what: &'static str,
    /// The smallest that is taken.
    pub least: i64,
    /// The largest that is taken.
    pub most: i64,
    /// What counts when it is left out.
    pub usual: i64,
}

/// One route.
#[derive(Clone, Copy, Debug)]
pub struct Route {
    /// HTTP method.
    pub method: &'static str,
    /// Path with its variables in braces.
    pub path: &'static str,
    /// Who may call it.
    pub who: Who,
    /// What it does.
    pub what: &'static str,
    /// What its query may hold.
    pub query: &'static [Query],
    /// What the body of a request is.
    pub takes: Takes,
    /// Status and JSON of an answer that is a success; pages and nodes get something else.
    pub answers: Option<(u16, Shape)>,
    /// The statuses of its own by which it refuses. Those that follow from the rest are not
    /// among them: who may call, a path with variables, a body.
    pub refuses: &'static [u16],
}

impl Route {
    const fn new(method: &'static str, path: &'static str, who: Who, what: &'static str) -> Self {
        Self { method, path, who, what, query: &[], takes: Takes::Nothing, answers: None, refuses: &[] }
    }

    const fn query(self, query: &'static [Query]) -> Self {
        Self { query, ..self }
    }

    const fn json<T: JsonSchema>(self) -> Self {
        Self { takes: Takes::Json(shape::<T>()), ..self }
    }

    const fn maybe_json<T: JsonSchema>(self) -> Self {
        Self { takes: Takes::MaybeJson(shape::<T>()), ..self }
    }

    const fn bytes(self) -> Self {
        Self { takes: Takes::Bytes, ..self }
    }

    const fn answers<T: JsonSchema>(self, status: u16) -> Self {
        Self { answers: Some((status, shape::<T>())), ..self }
    }

    const fn refuses(self, refuses: &'static [u16]) -> Self {
        Self { refuses, ..self }
    }
}

const fn operator(method: &'static str, path: &'static str, what: &'static str) -> Route {
    Route::new(method, path, Who::Operator, what)
}

const fn viewer(method: &'static str, path: &'static str, what: &'static str) -> Route {
    Route::new(method, path, Who::Viewer, what)
}

const fn page(path: &'static str, what: &'static str) -> Route {
    Route::new("GET", path, Who::Browser, what)
}

const fn anybody(method: &'static str, path: &'static str, what: &'static str) -> Route {
    Route::new(method, path, Who::Anybody, what)
}

const fn node(method: &'static str, path: &'static str, what: &'static str) -> Route {
    Route::new(method, path, Who::Node, what)
}

const JOURNAL_QUERY: &[Query] = &[
    Query::Number(Number {
        name: "after",
        what: "Only entries with a higher number than this.",
        least: i64::MIN,
        most: i64::MAX,
        usual: 0,
    }),
    limit("How many entries at most.", MOST_ENTRIES, USUAL_ENTRIES),
];
const NODES_QUERY: &[Query] = &[
    Query::Node("after", "Only nodes behind this one: the last of the answer before."),
    limit("How many nodes at most.", MOST_LISTED, MOST_LISTED),
];
const ROLLOUTS_QUERY: &[Query] = &[
    Query::Number(Number {
        name: "before",
        what: "Only rollouts with a lower number than this: the last of the answer before.",
        least: i64::MIN,
        most: i64::MAX,
        usual: i64::MAX,
    }),
    limit(
        "How many rollouts at most. There may be fewer, but not none if there are any.",
        MOST_ROLLOUTS,
        MOST_ROLLOUTS,
    ),
];

const fn limit(what: &'static str, most: u32, usual: u32) -> Query {
    Query::Number(Number { name: "limit", what, least: 1, most: most as i64, usual: usual as i64 })
}

/// Every route. The server serves what stands here and nothing else, to whom it stands here.
pub const ROUTES: &[Route] = &[
    viewer("GET", "/api/v1/about", "says who answers: version, time, key").answers::<About>(200),
    viewer("GET", "/api/v1/nodes", "lists nodes by their identifiers")
        .query(NODES_QUERY)
        .answers::<Vec<NodeView>>(200),
    viewer("GET", "/api/v1/nodes/{id}", "shows one node").answers::<NodeView>(200).refuses(&[404]),
    viewer("GET", "/api/v1/nodes/{id}/check-in", "shows a node's last check-in as the node signed it")
        .answers::<CheckInView>(200)
        .refuses(&[404]),
    viewer("GET", "/api/v1/nodes/{id}/suit-report", "shows a node's last SUIT_Report")
        .answers::<SuitReportView>(200)
        .refuses(&[404]),
    operator("PUT", "/api/v1/nodes/{id}", "announces a node, so that its claim is expected")
        .json::<ExpectNode>()
        .answers::<NodeView>(200)
        .refuses(&[409, 422]),
    operator("POST", "/api/v1/nodes/{id}/admit", "accepts a node's own keys")
        .json::<Admit>()
        .answers::<NodeView>(200)
        .refuses(&[404, 409, 422]),
    operator("POST", "/api/v1/nodes/{id}/retire", "takes a node out of service")
        .maybe_json::<Retire>()
        .answers::<NodeView>(200)
        .refuses(&[404, 422]),
    viewer("GET", "/api/v1/claims", "lists the claims that wait to be admitted")
        .answers::<Vec<ClaimView>>(200),
    operator("PUT", "/api/v1/payloads/{digest}", "stores a payload under its SHA-256")
        .bytes()
        .answers::<PayloadStored>(200)
        .refuses(&[422]),
    operator("PUT", "/api/v1/envelopes/{digest}", "stores an envelope under its manifest digest")
        .bytes()
        .answers::<EnvelopeStored>(200)
        .refuses(&[422]),
    operator("POST", "/api/v1/rollouts", "plans a rollout")
        .json::<NewRollout>()
        .answers::<RolloutView>(201)
        .refuses(&[404, 409, 422]),
    viewer("GET", "/api/v1/rollouts", "lists rollouts, newest first")
        .query(ROLLOUTS_QUERY)
        .answers::<Vec<RolloutView>>(200),
    viewer("GET", "/api/v1/rollouts/{id}", "shows one rollout").answers::<RolloutView>(200).refuses(&[404]),
    operator("POST", "/api/v1/rollouts/{id}/start", "starts a rollout that is ready")
        .maybe_json::<Note>()
        .answers::<RolloutView>(200)
        .refuses(&[404, 409, 422]),
    operator("POST", "/api/v1/rollouts/{id}/hold", "stops offering")
        .maybe_json::<Note>()
        .answers::<RolloutView>(200)
        .refuses(&[404, 409, 422]),
    operator("POST", "/api/v1/rollouts/{id}/resume", "goes on with a held rollout")
        .maybe_json::<Note>()
        .answers::<RolloutView>(200)
        .refuses(&[404, 409, 422]),
    operator("POST", "/api/v1/rollouts/{id}/approve", "lets the wave open that waits for approval")
        .maybe_json::<Approve>()
        .answers::<RolloutView>(200)
        .refuses(&[404, 409, 422]),
    operator("POST", "/api/v1/rollouts/{id}/end", "ends a rollout early; nodes stay as they are")
        .maybe_json::<Note>()
        .answers::<RolloutView>(200)
        .refuses(&[404, 409, 422]),
    operator(
        "POST",
        "/api/v1/rollouts/{id}/turn-back",
        "returns the nodes that kept to what they ran before",
    )
    .maybe_json::<Note>()
    .answers::<RolloutView>(200)
    .refuses(&[404, 409, 422]),
    viewer("GET", "/api/v1/journal", "reads the journal, oldest first")
        .query(JOURNAL_QUERY)
        .answers::<JournalPage>(200),
    viewer("GET", "/api/v1/journal/head", "shows the journal's newest entry, signed")
        .answers::<JournalHead>(200),
    viewer("GET", "/api/v1/journal/check", "checks the journal's chain of hashes")
        .answers::<JournalCheck>(200),
    operator("POST", "/api/v1/sign-in-links", "makes a link that signs a browser in, once")
        .answers::<SignInLink>(201),
    node("POST", "/node/claim", "takes a new node's claim"),
    node("POST", "/node/check-in", "takes a node's report and answers what to do next"),
    node("GET", "/node/envelope/{digest}", "reads an envelope by its manifest digest"),
    node("GET", "/node/payload/{digest}", "reads a payload, or a range of it, by its SHA-256"),
    anybody("GET", "/healthz", "says that the server answers"),
    anybody("GET", "/readyz", "says whether check-ins are taken and rollouts move, or why not"),
    viewer("GET", "/metrics", "shows figures for whatever watches over the server, as OpenMetrics"),
    page("/", "shows doors, rollouts and the last entries of the journal"),
    page("/nodes/{id}", "shows one node"),
    page("/rollouts/{id}", "shows one rollout"),
    page("/journal", "shows the newest entries of the journal"),
    anybody("GET", "/sign-in/{secret}", "shows the button that signs a browser in"),
    anybody("POST", "/sign-in/{secret}", "uses a link up and signs a browser in"),
    anybody("POST", "/sign-out", "ends a browser's session"),
];

/// Path of [`super::About`].
pub const ABOUT: &str = "/api/v1/about";
/// Path of the list of nodes; takes `after` (a node) and `limit`.
pub const NODES: &str = "/api/v1/nodes";
/// Path of the list of claims.
pub const CLAIMS: &str = "/api/v1/claims";
/// Path of the list of rollouts; takes `before` (a number) and `limit`.
pub const ROLLOUTS: &str = "/api/v1/rollouts";
/// Path of the journal; takes `after` (a number) and `limit` (1 to 500).
pub const JOURNAL: &str = "/api/v1/journal";
/// Path of the signed head of the journal.
pub const JOURNAL_HEAD: &str = "/api/v1/journal/head";
/// Path of the check of the journal.
pub const JOURNAL_CHECK: &str = "/api/v1/journal/check";
/// Path of sign-in links.
pub const SIGN_IN_LINKS: &str = "/api/v1/sign-in-links";
/// Path to which nodes post claims.
pub const NODE_CLAIM: &str = "/node/claim";
/// Path to which nodes post check-ins.
pub const NODE_CHECK_IN: &str = "/node/check-in";

/// Path of the nodes behind `after`, or of the first ones.
pub fn nodes_path(after: Option<&NodeId>) -> String {
    after.map_or_else(|| NODES.to_owned(), |after| format!("{NODES}?after={after}"))
}

/// Path of at most `limit` rollouts with numbers below `before`, or of the newest ones.
pub fn rollouts_path(before: Option<i64>, limit: u32) -> String {
    let before = before.map_or_else(String::new, |before| format!("&before={before}"));
    format!("{ROLLOUTS}?limit={limit}{before}")
}

/// Path of one node.
pub fn node_path(id: &NodeId) -> String {
    format!("/api/v1/nodes/{id}")
}

/// Path of a node's last check-in.
pub fn check_in_path(id: &NodeId) -> String {
    format!("/api/v1/nodes/{id}/check-in")
}

/// Path of a node's last SUIT_Report.
pub fn suit_report_path(id: &NodeId) -> String {
    format!("/api/v1/nodes/{id}/suit-report")
}

/// Path of `limit` entries of the journal (1 to 500) behind number `after`.
pub fn journal_path(after: i64, limit: u32) -> String {
    format!("{JOURNAL}?after={after}&limit={limit}")
}

/// Path that admits a node.
pub fn admit_path(id: &NodeId) -> String {
    format!("/api/v1/nodes/{id}/admit")
}

/// Path that retires a node.
pub fn retire_path(id: &NodeId) -> String {
    format!("/api/v1/nodes/{id}/retire")
}

/// Path to which a payload is put.
pub fn payload_path(digest: &Digest) -> String {
    format!("/api/v1/payloads/{digest}")
}

/// Path to which an envelope is put.
pub fn envelope_path(digest: &Digest) -> String {
    format!("/api/v1/envelopes/{digest}")
}

/// Path of one rollout.
pub fn rollout_path(id: i64) -> String {
    format!("/api/v1/rollouts/{id}")
}

/// Path that does something to a rollout: `start`, `hold`, `resume`, `approve`, `end`,
/// `turn-back`.
pub fn rollout_action_path(id: i64, action: &str) -> String {
    format!("/api/v1/rollouts/{id}/{action}")
}

/// Path from which a node reads an envelope.
pub fn node_envelope_path(digest: &Digest) -> String {
    format!("/node/envelope/{digest}")
}

/// Path from which a node reads a payload.
pub fn node_payload_path(digest: &Digest) -> String {
    format!("/node/payload/{digest}")
}
