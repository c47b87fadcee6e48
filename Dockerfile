# The image of Setwright. Its base is named with its digest, so that the same text builds the same image:
#   docker build --build-arg PYTHON_IMAGE=python:3.11-slim-bookworm@sha256:... .
# docs/deploy/prepare.sh writes that into .env for docker compose. See docs/deploy.md.
ARG PYTHON_IMAGE

# --- what builds, none of which is in the image -------------------------------------------------------------------------
FROM ${PYTHON_IMAGE} AS build
ARG PYTHON_IMAGE
RUN printf '%s\n' "$PYTHON_IMAGE" | grep -Eq '@sha256:[0-9a-f]{64}$' \
    || { echo "PYTHON_IMAGE is '$PYTHON_IMAGE'; name the base with its digest, NAME:TAG@sha256:DIGEST" >&2; exit 1; }
ENV PIP_NO_CACHE_DIR=1 PIP_DISABLE_PIP_VERSION_CHECK=1 PIP_ROOT_USER_ACTION=ignore
WORKDIR /src
COPY .ci/build.lock .ci/requirements.lock .ci/
# Every file is compared with its hash; what comes as source is built with the locked tools and no others.
RUN python3 -m venv /build \
    && /build/bin/pip install --require-hashes --no-deps -r .ci/build.lock \
    && /build/bin/pip wheel --require-hashes --no-deps --no-build-isolation --wheel-dir /wheels -r .ci/requirements.lock
COPY pyproject.toml README.md LICENSE ./
COPY docs/NOTICE.md docs/
COPY service service
COPY migrations migrations
COPY set_definitions set_definitions
RUN /build/bin/pip wheel --no-index --no-deps --no-build-isolation --wheel-dir /wheels . \
    && python3 -m venv --without-pip /opt/setwright \
    && /build/bin/pip --python /opt/setwright/bin/python install --no-index --no-deps /wheels/*.whl

# --- a TLS proxy: the profile `tls` of docker-compose.yml ---------------------------------------------------------------
FROM ${PYTHON_IMAGE} AS proxy
RUN apt-get update \
    && apt-get install -y --no-install-recommends caddy ca-certificates \
    && rm -rf /var/lib/apt/lists/* \
    && install -d -o 10002 -g 10002 -m 0700 /var/lib/caddy-data
COPY docs/deploy/Caddyfile /etc/caddy/Caddyfile
ENV XDG_DATA_HOME=/var/lib/caddy-data XDG_CONFIG_HOME=/tmp
USER 10002:10002
EXPOSE 8080 8443
HEALTHCHECK --interval=10s --timeout=3s --retries=6 \
    CMD ["python3", "-c", "import socket; socket.create_connection(('127.0.0.1', 8443), 2)"]
CMD ["caddy", "run", "--config", "/etc/caddy/Caddyfile", "--adapter", "caddyfile"]

# --- the service --------------------------------------------------------------------------------------------------------
FROM ${PYTHON_IMAGE} AS setwright
ARG PYTHON_IMAGE
ARG VERSION=0.1.0
ARG REVISION=unknown
LABEL org.opencontainers.image.title="Setwright" \
      org.opencontainers.image.description="A REST service with a rules engine for set definitions of collectable coins" \
      org.opencontainers.image.version="${VERSION}" \
      org.opencontainers.image.revision="${REVISION}" \
      org.opencontainers.image.licenses="Apache-2.0" \
      org.opencontainers.image.base.name="${PYTHON_IMAGE}"
# pg_dump and pg_restore of Debian 12 are of PostgreSQL 15, as the database of docker-compose.yml. pip is not needed any more.
RUN apt-get update \
    && apt-get install -y --no-install-recommends postgresql-client \
    && rm -rf /var/lib/apt/lists/* \
    && { python3 -m pip uninstall -y --break-system-packages pip setuptools wheel || true; } \
    && groupadd --gid 10001 setwright \
    && useradd --uid 10001 --gid 10001 --no-create-home --home-dir /var/lib/setwright --shell /usr/sbin/nologin setwright \
    && install -d -o 10001 -g 10001 -m 0700 /var/lib/setwright /var/lib/setwright/photos /var/lib/setwright/state /backups
COPY --from=build /opt/setwright /opt/setwright
COPY docs/deploy/backup.sh /usr/local/bin/setwright-backup
# A first token and photos are the only files that it writes, beside /tmp; the root file system may be read-only.
ENV PATH=/opt/setwright/bin:$PATH \
    PYTHONDONTWRITEBYTECODE=1 \
    PYTHONUNBUFFERED=1 \
    SETWRIGHT_HOST=0.0.0.0 \
    SETWRIGHT_PORT=8000 \
    SETWRIGHT_PHOTOS_DIR=/var/lib/setwright/photos \
    SETWRIGHT_FIRST_TOKEN_FILE=/var/lib/setwright/state/first-token
USER 10001:10001
WORKDIR /var/lib/setwright
EXPOSE 8000
HEALTHCHECK --interval=10s --timeout=3s --start-period=20s --retries=6 \
    CMD ["python3", "-c", "import urllib.request as u; u.urlopen('http://127.0.0.1:8000/health/ready', timeout=2)"]
CMD ["setwright", "serve"]
