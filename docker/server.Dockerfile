# The server of a fleet: web, workers and beat run from this one image (docker/compose.yaml).
ARG PYTHON_IMAGE=python:3.12-slim
FROM ${PYTHON_IMAGE}

ENV PYTHONUNBUFFERED=1 PYTHONDONTWRITEBYTECODE=1 DAYROLL_HOME=/var/lib/dayroll
WORKDIR /srv/dayroll

COPY server.lock.txt .
RUN pip install --no-cache-dir --require-hashes --requirement server.lock.txt

COPY pyproject.toml README.md LICENSE ./
COPY machines machines
COPY scheduling scheduling
COPY server server
RUN pip install --no-cache-dir --no-deps . \
    && useradd --system --home-dir "$DAYROLL_HOME" --create-home dayroll \
    && install --directory --owner dayroll --mode 700 /var/lib/dayroll-keys /var/spool/dayroll \
    && chmod 700 "$DAYROLL_HOME"
USER dayroll
VOLUME /var/lib/dayroll
EXPOSE 8000
