//! The ways out of the house that are configured.

use std::sync::Arc;

use crate::config::Alert;
use crate::post::Carrier;
use crate::post::smtp::Mail;
use crate::post::webhook::Webhook;

/// One for each way that is configured; none: alert files alone.
pub fn configured(alert: &Alert) -> Vec<Arc<dyn Carrier>> {
    let mut out: Vec<Arc<dyn Carrier>> = Vec::new();
    if let Some(email) = &alert.email {
        out.push(Arc::new(Mail::new(email)));
    }
    if let Some(webhook) = &alert.webhook {
        out.push(Arc::new(Webhook::new(&webhook.url, &webhook.secret_file)));
    }
    out
}
