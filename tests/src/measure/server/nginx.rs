//! nginx, serving the same files the same way, to compare downloads with.

use super::process::Process;
use crate::tool::MeasureError;
use std::fs;
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// How long it may take to be ready.
const PATIENCE: Duration = Duration::from_secs(10);

/// nginx with a folder of its own, on one port plain and on one with TLS.
pub(super) struct Nginx {
    pub(super) plain: SocketAddr,
    pub(super) tls: SocketAddr,
    folder: PathBuf,
    /// Ended by force if it did not stop when it was asked to.
    _process: Process,
}

impl Drop for Nginx {
    fn drop(&mut self) {
        // Its workers end only when it is asked to stop, not when it is ended by force.
        let _ = command(&self.folder).args(["-s", "stop"]).stderr(Stdio::null()).status();
        let from = Instant::now();
        while from.elapsed() < PATIENCE && TcpStream::connect(self.plain).is_ok() {
            std::thread::sleep(Duration::from_millis(20));
        }
    }
}

/// The program, with the folder and what is written there for it.
fn command(folder: &Path) -> Command {
    let mut command = Command::new("nginx");
    command.arg("-p").arg(folder).args(["-e", "stderr", "-c"]).arg(folder.join("nginx.conf"));
    command.stdin(Stdio::null()).stdout(Stdio::null());
    command
}

impl Nginx {
    /// Serves `files` below `/node/payload`, with the certificate and key of a server's folder. As many workers as
    /// the server has, files sent by the kernel, nothing logged.
    pub(super) fn start(folder: &Path, files: &Path, server: &Path) -> Result<Self, MeasureError> {
        let (plain, tls) = (free()?, free()?);
        let path = folder.join("nginx.conf");
        let at = |source| MeasureError::File { path: path.clone(), source };
        fs::create_dir_all(folder.join("temp")).map_err(at)?;
        let text = format!(
            "daemon off; master_process on; worker_processes 2; pid {folder}/nginx.pid; error_log stderr crit;\n\
             events {{ worker_connections 512; }}\n\
             http {{\n\
               access_log off; sendfile on; tcp_nopush on; tcp_nodelay on; server_tokens off;\n\
               keepalive_timeout 300; keepalive_requests 1000000; open_file_cache max=64;\n\
               client_body_temp_path {folder}/temp; proxy_temp_path {folder}/temp; fastcgi_temp_path {folder}/temp;\n\
               uwsgi_temp_path {folder}/temp; scgi_temp_path {folder}/temp;\n\
               default_type application/octet-stream;\n\
               ssl_certificate {server}/tls.pem; ssl_certificate_key {server}/tls.key;\n\
               ssl_protocols TLSv1.3;\n\
               server {{\n\
                 listen {plain} backlog=512; listen {tls} ssl backlog=512;\n\
                 location /node/payload/ {{ alias {files}/; }}\n\
               }}\n\
             }}\n",
            folder = folder.display(),
            server = server.display(),
            files = files.display(),
        );
        fs::write(&path, text).map_err(at)?;
        let child = command(folder).spawn().map_err(|source| MeasureError::Start {
            program: "nginx (Debian's nginx-light)".to_owned(),
            source,
        })?;
        let nginx = Self { plain, tls, folder: folder.to_owned(), _process: Process(child) };
        let from = Instant::now();
        while TcpStream::connect(plain).is_err() || TcpStream::connect(tls).is_err() {
            if from.elapsed() > PATIENCE {
                let what = "nginx did not listen";
                return Err(MeasureError::TooLate { what, seconds: PATIENCE.as_secs() });
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        Ok(nginx)
    }
}

/// A port that nobody has now.
fn free() -> Result<SocketAddr, MeasureError> {
    TcpListener::bind("127.0.0.1:0")
        .and_then(|listener| listener.local_addr())
        .map_err(|source| MeasureError::File { path: "127.0.0.1:0".into(), source })
}
