//! Roles.
/// Role.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// Watch.
    Watch,
    /// Player.
    Player,
    /// Desk.
    Desk,
}
