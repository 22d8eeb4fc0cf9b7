# A field node with a simulated machine, for trying out a fleet. A node beside a real machine runs on the board itself.
ARG PYTHON_IMAGE=python:3.12-slim
FROM ${PYTHON_IMAGE}

ENV PYTHONUNBUFFERED=1 PYTHONDONTWRITEBYTECODE=1
WORKDIR /srv/dayroll

COPY node.lock.txt .
RUN pip install --no-cache-dir --require-hashes --requirement node.lock.txt

COPY pyproject.toml README.md LICENSE ./
COPY machines machines
RUN mkdir scheduling server && touch scheduling/__init__.py server/__init__.py \
    && pip install --no-cache-dir --no-deps . \
    && useradd --system --home-dir /var/lib/dayroll-node --create-home dayroll
USER dayroll
VOLUME /var/lib/dayroll-node
ENTRYPOINT ["dayroll-node"]
