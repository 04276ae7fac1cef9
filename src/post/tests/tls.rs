//! Certificates for scripted servers: made once by openssl for `localhost`, good until 2126, and of no use elsewhere.
//!
//! `ca.pem` signed `good.pem` (2026 to 2126) and `expired.pem` (2020 to 2021); its own key was thrown away.

use std::sync::Arc;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};

pub const CA: &[u8] = include_bytes!("tls/ca.pem");
pub const GOOD: (&[u8], &[u8]) = (include_bytes!("tls/good.pem"), include_bytes!("tls/good.key"));
pub const EXPIRED: (&[u8], &[u8]) = (include_bytes!("tls/expired.pem"), include_bytes!("tls/expired.key"));

pub fn acceptor((certificate, key): (&[u8], &[u8])) -> TlsAcceptor {
    let chain = CertificateDer::pem_slice_iter(certificate).collect::<Result<Vec<_>, _>>().unwrap();
    let key = PrivateKeyDer::from_pem_slice(key).unwrap();
    let config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_no_client_auth()
        .with_single_cert(chain, key)
        .unwrap();
    TlsAcceptor::from(Arc::new(config))
}
