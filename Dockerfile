# One image for web, worker, beat and migrate; docker-compose.yml says which runs what.
FROM python:3.11-slim-bookworm AS packages
RUN python -m venv /opt/env
COPY requirements.txt .
RUN /opt/env/bin/pip install --no-cache-dir --disable-pip-version-check -r requirements.txt

FROM python:3.11-slim-bookworm
# What PDFs need; the fonts too, since pages and papers name DejaVu Sans.
RUN apt-get update \
    && apt-get install -y --no-install-recommends \
       libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 fonts-dejavu-core \
    && rm -rf /var/lib/apt/lists/* \
    && useradd --uid 10001 --no-create-home --shell /usr/sbin/nologin kiln \
    && install -d -o kiln -g kiln /data
COPY --from=packages /opt/env /opt/env
WORKDIR /srv/kiln
COPY . .
ENV PATH=/opt/env/bin:$PATH \
    PYTHONUNBUFFERED=1 \
    PYTHONDONTWRITEBYTECODE=1 \
    DATA_DIR=/data \
    STATIC_MANIFEST=1 \
    LOG_FORMAT=json
# The key is for this one command and stays out of the image; the data folder too.
RUN SECRET_KEY=only-while-the-image-is-built DATA_DIR=/build python manage.py collectstatic --no-input \
    && rm -rf /build
# The load planner's loops, compiled once here instead of by the first process that plans.
ENV NUMBA_CACHE_DIR=/opt/numba
RUN python -c "from firings.load_plan import solve; solve.warm()" && chown -R kiln:kiln /opt/numba
USER kiln
VOLUME /data
EXPOSE 8000
CMD ["gunicorn", "coop.wsgi", "-w", "2", "--threads", "4", "--no-control-socket", "--bind", "0.0.0.0:8000", \
     "--graceful-timeout", "25", "--worker-tmp-dir", "/dev/shm"]
