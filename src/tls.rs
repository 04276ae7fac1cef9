//! TLS for whoever connects or serves: whom we trust and how we show who we are. One library, one provider, always verified.
//!
//! *ring* is given by name: a provider that is guessed panics where none or two are built in. Errors are words that name
//! the key of the configuration and hold no secret.

use crate::terms::secret::Identity;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::{ClientConfig, RootCertStore, ServerConfig};
use std::sync::Arc;

/// Whom a client trusts (`ca_file` as PEM, or the system's authorities) and, where it is asked, who it is.
pub fn client(ca_pem: Option<&[u8]>, identity: Option<&Identity>) -> Result<ClientConfig, String> {
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let builder = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|e| format!("TLS cannot start: {e}"))?
        .with_root_certificates(roots(ca_pem)?);
    match identity {
        None => Ok(builder.with_no_client_auth()),
        Some(identity) => builder
            .with_client_auth_cert(chain(identity)?, key(identity)?)
            .map_err(|e| format!("certificate_file and key_file do not fit: {e}")),
    }
}

/// Who a server is. It asks nobody for a certificate.
pub fn server(identity: &Identity) -> Result<ServerConfig, String> {
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|e| format!("TLS cannot start: {e}"))?
        .with_no_client_auth()
        .with_single_cert(chain(identity)?, key(identity)?)
        .map_err(|e| format!("certificate_file and key_file do not fit: {e}"))
}

fn chain(identity: &Identity) -> Result<Vec<CertificateDer<'static>>, String> {
    certificates(&identity.certificate_pem, "certificate_file")
}

fn key(identity: &Identity) -> Result<PrivateKeyDer<'static>, String> {
    // The error of a bad key is not shown: it could quote the key.
    PrivateKeyDer::from_pem_slice(identity.key_pem.expose().as_bytes())
        .map_err(|_| "key_file holds no private key in PEM".into())
}

fn roots(ca_pem: Option<&[u8]>) -> Result<RootCertStore, String> {
    let mut roots = RootCertStore::empty();
    match ca_pem {
        Some(pem) => {
            for certificate in certificates(pem, "ca_file")? {
                roots.add(certificate).map_err(|e| format!("ca_file cannot be used: {e}"))?;
            }
        }
        None => {
            // Single broken files in a system's store are common and no reason to trust nobody.
            roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
            if roots.is_empty() {
                return Err("this system has no certificate authorities to trust: name one by ca_file".into());
            }
        }
    }
    Ok(roots)
}

fn certificates(pem: &[u8], key: &str) -> Result<Vec<CertificateDer<'static>>, String> {
    let all: Result<Vec<_>, _> = CertificateDer::pem_slice_iter(pem).collect();
    let all = all.map_err(|e| format!("{key} cannot be used: {e}"))?;
    if all.is_empty() { Err(format!("{key} holds no certificate in PEM")) } else { Ok(all) }
}
