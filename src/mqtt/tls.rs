//! The TLS side of a broker link: whom we trust, and how we show who we are.

use super::Trouble;
use super::settings::{Broker, Identity};
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::{ClientConfig, RootCertStore};
use std::fmt::Display;
use std::sync::Arc;

/// A client configuration with *ring* given by name: a provider that is guessed panics where none or two are built in.
pub fn client_config(broker: &Broker) -> Result<ClientConfig, Trouble> {
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let builder = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|e| Trouble::Settings(format!("TLS cannot start: {e}")))?
        .with_root_certificates(roots(broker.ca_pem.as_deref())?);
    match &broker.identity {
        None => Ok(builder.with_no_client_auth()),
        Some(Identity { certificate_pem, key_pem }) => {
            let chain = certificates(certificate_pem, "certificate_file")?;
            // The error of a bad key is not shown: it could quote the key.
            let key = PrivateKeyDer::from_pem_slice(key_pem.expose().as_bytes())
                .map_err(|_| Trouble::Settings("key_file holds no private key in PEM".into()))?;
            builder
                .with_client_auth_cert(chain, key)
                .map_err(|e| Trouble::Settings(format!("certificate_file and key_file do not fit: {e}")))
        }
    }
}

fn roots(ca_pem: Option<&[u8]>) -> Result<RootCertStore, Trouble> {
    let mut roots = RootCertStore::empty();
    match ca_pem {
        Some(pem) => {
            for certificate in certificates(pem, "ca_file")? {
                roots.add(certificate).map_err(|e| unusable("ca_file", &e))?;
            }
        }
        None => {
            // Single broken files in a system's store are common and no reason to trust nobody.
            roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
            if roots.is_empty() {
                let text = "this system has no certificate authorities to trust: name one by ca_file";
                return Err(Trouble::Settings(text.into()));
            }
        }
    }
    Ok(roots)
}

fn certificates(pem: &[u8], key: &str) -> Result<Vec<CertificateDer<'static>>, Trouble> {
    let all: Result<Vec<_>, _> = CertificateDer::pem_slice_iter(pem).collect();
    let all = all.map_err(|e| unusable(key, &e))?;
    if all.is_empty() {
        return Err(Trouble::Settings(format!("{key} holds no certificate in PEM")));
    }
    Ok(all)
}

fn unusable(key: &str, why: &dyn Display) -> Trouble {
    Trouble::Settings(format!("{key} cannot be used: {why}"))
}
