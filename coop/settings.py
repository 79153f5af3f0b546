"""Settings, all from the environment; development works with none set. A bad value stops the start."""

from __future__ import annotations

import contextlib
import os
import sys
from pathlib import Path
from typing import Any

import environ
from django.core.exceptions import ImproperlyConfigured

BASE_DIR = Path(__file__).resolve().parent.parent
env = environ.Env()


def _flag(name: str, default: bool) -> bool:
    """A yes or no from the environment; anything else stops the start and names the variable."""
    text = os.environ.get(name, "").strip().lower()
    if text in ("", *(("1", "true", "yes", "on") if default else ("0", "false", "no", "off"))):
        return default
    if text in ("1", "true", "yes", "on", "0", "false", "no", "off"):
        return not default
    raise ImproperlyConfigured(f"{name} must be 1 or 0, not {text!r}.")


TESTING = "pytest" in sys.modules

# --- Where we are -------------------------------------------------------------------------
DEMO = _flag("DEMO", False)  # demo sign-in buttons and the /outbox/ page
DEBUG = _flag("DEBUG", False)
DATA_DIR = Path(env.str("DATA_DIR", default=str(BASE_DIR / "var")))
DATA_DIR.mkdir(parents=True, exist_ok=True)
SITE_URL = env.str("SITE_URL", default="http://127.0.0.1:8000").rstrip("/")
ALLOWED_HOSTS: list[str] = env.list("ALLOWED_HOSTS", default=["127.0.0.1", "localhost", "[::1]"])
CSRF_TRUSTED_ORIGINS: list[str] = env.list("CSRF_TRUSTED_ORIGINS", default=[])
HTTPS = SITE_URL.startswith("https://")


def _secret_key() -> str:
    """The key from the environment, or one made once and kept beside the data (one machine only)."""
    if key := env.str("SECRET_KEY", default=""):
        return str(key)
    kept = DATA_DIR / "secret_key"
    if not kept.exists():
        from django.core.management.utils import get_random_secret_key

        kept.touch(mode=0o600)
        kept.write_text(get_random_secret_key() + get_random_secret_key(), encoding="utf-8")
    return kept.read_text(encoding="utf-8").strip()


SECRET_KEY = _secret_key()

# --- What is in ---------------------------------------------------------------------------
INSTALLED_APPS = [
    "coop.apps.CoopConfig",
    "firings.apps.FiringsConfig",
    "billing.apps.BillingConfig",
    "django.contrib.admin",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    "allauth",
    "allauth.account",
    "django_htmx",
    "rest_framework",
    "drf_spectacular",
    "csp",
]

MIDDLEWARE = [
    "coop.http.request_id_middleware",
    "coop.metrics.Middleware",
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "csp.middleware.CSPMiddleware",
    "coop.http.permissions_policy",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.locale.LocaleMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "allauth.account.middleware.AccountMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "coop.http.CoopMiddleware",
]

ROOT_URLCONF = "coop.urls"
WSGI_APPLICATION = "coop.wsgi.application"
AUTH_USER_MODEL = "coop.Person"
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

TEMPLATES: list[dict[str, Any]] = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "coop.http.page_context",
            ],
        },
    }
]

# --- Database -----------------------------------------------------------------------------
DATABASES: dict[str, dict[str, Any]] = {
    "default": env.db_url("DATABASE_URL", default=f"sqlite:///{DATA_DIR / 'coop.sqlite3'}")
}
if DATABASES["default"]["ENGINE"].endswith("sqlite3"):
    # IMMEDIATE: a read-then-write transaction otherwise meets "database is locked" at once.
    DATABASES["default"]["OPTIONS"] = {
        "transaction_mode": "IMMEDIATE",
        "timeout": 20,
        # FULL: what was answered with "saved" outlives a power cut; it costs about a tenth of the writes.
        "init_command": "PRAGMA journal_mode=WAL;PRAGMA synchronous=FULL;",
    }
DATABASES["default"]["CONN_MAX_AGE"] = 60
DATABASES["default"]["CONN_HEALTH_CHECKS"] = True

# --- Jobs, cache --------------------------------------------------------------------------
REDIS_URL = env.str("REDIS_URL", default="")
CACHES: dict[str, dict[str, Any]] = {
    "default": (
        {"BACKEND": "coop.cache.RedisCacheThatMayBeGone", "LOCATION": REDIS_URL}
        if REDIS_URL
        else {"BACKEND": "django.core.cache.backends.db.DatabaseCache", "LOCATION": "coop_cache"}
    )
}
if TESTING:
    CACHES["default"] = {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"}

# --- Mail ---------------------------------------------------------------------------------
if email_url := env.str("EMAIL_URL", default=""):
    vars().update(env.email_url_config(email_url))
else:
    EMAIL_BACKEND = "coop.mail.FolderBackend"
EMAIL_FILE_PATH = DATA_DIR / "mail"
EMAIL_TIMEOUT = 10
DEFAULT_FROM_EMAIL = env.str("DEFAULT_FROM_EMAIL", default="Kiln co-op <kiln@localhost>")

# --- Sign-in ------------------------------------------------------------------------------
AUTHENTICATION_BACKENDS = ["allauth.account.auth_backends.AuthenticationBackend"]
PASSWORD_HASHERS = (
    ["django.contrib.auth.hashers.MD5PasswordHasher"]
    if TESTING
    else [
        "django.contrib.auth.hashers.Argon2PasswordHasher",
        "django.contrib.auth.hashers.PBKDF2PasswordHasher",
    ]
)
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {
        "NAME": "django.contrib.auth.password_validation.MinimumLengthValidator",
        "OPTIONS": {"min_length": 15},  # NIST SP 800-63B-4: 15 where the password stands alone
    },
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
]
LOGIN_URL = "account_login"
LOGIN_REDIRECT_URL = "/"
ACCOUNT_ADAPTER = "coop.signin.AccountAdapter"
ACCOUNT_LOGIN_METHODS = {"email"}
ACCOUNT_SIGNUP_FIELDS = ["email*", "password1*"]
ACCOUNT_USER_MODEL_USERNAME_FIELD = None
ACCOUNT_USER_MODEL_EMAIL_FIELD = "email"
ACCOUNT_EMAIL_VERIFICATION = "none"  # an account begins with an invitation mailed to that address
ACCOUNT_LOGOUT_ON_GET = False
ACCOUNT_SESSION_REMEMBER = True
ACCOUNT_PREVENT_ENUMERATION = True
ACCOUNT_RATE_LIMITS = {"login_failed": "10/m/ip,5/5m/key", "reset_password": "10/h/ip,3/h/key"}
if TESTING:
    ACCOUNT_RATE_LIMITS = {}

# --- Browser ------------------------------------------------------------------------------
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": ["'self'"],
        "script-src": ["'self'"],
        "style-src": ["'self'"],
        "img-src": ["'self'", "data:"],
        "object-src": ["'none'"],
        "base-uri": ["'none'"],
        "frame-ancestors": ["'none'"],
        "form-action": ["'self'"],
    }
}
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
SECURE_CROSS_ORIGIN_OPENER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
SESSION_COOKIE_AGE = 60 * 60 * 24 * 30
CSRF_COOKIE_HTTPONLY = True
CSRF_FAILURE_VIEW = "coop.http.csrf_failure"
if HTTPS:
    SECURE_SSL_REDIRECT = _flag("SECURE_SSL_REDIRECT", True)
    SECURE_REDIRECT_EXEMPT = [r"^livez$", r"^readyz$"]
    SECURE_HSTS_SECONDS = 60 * 60 * 24 * 365
    SECURE_HSTS_INCLUDE_SUBDOMAINS = True
    SECURE_HSTS_PRELOAD = True
    SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = True
    SESSION_COOKIE_NAME, CSRF_COOKIE_NAME = "__Host-session", "__Host-csrf"
    if _flag("BEHIND_PROXY", False):  # only a proxy that sets the header itself may be trusted
        SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")

DATA_UPLOAD_MAX_MEMORY_SIZE = 3 * 1024 * 1024
FILE_UPLOAD_MAX_MEMORY_SIZE = 3 * 1024 * 1024
DATA_UPLOAD_MAX_NUMBER_FIELDS = 5000
# Files are no part of the limit above; this one refuses a form with files before it is read.
UPLOAD_MOST_BYTES = 16 * 1024 * 1024
FILE_UPLOAD_HANDLERS = [
    "coop.uploads.Bounded",
    "django.core.files.uploadhandler.MemoryFileUploadHandler",
    "django.core.files.uploadhandler.TemporaryFileUploadHandler",
]

# --- Files --------------------------------------------------------------------------------
STATIC_URL = "static/"
STATIC_ROOT = BASE_DIR / "static_build"
with contextlib.suppress(OSError):  # whitenoise warns of a folder that is not there yet
    STATIC_ROOT.mkdir(exist_ok=True)
WHITENOISE_USE_FINDERS = True
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {
        "BACKEND": (
            "whitenoise.storage.CompressedManifestStaticFilesStorage"
            if _flag("STATIC_MANIFEST", False)
            else "django.contrib.staticfiles.storage.StaticFilesStorage"
        )
    },
}
MEDIA_ROOT = DATA_DIR / "media"
PICTURES_MB: int = env.int("PICTURES_MB", default=500)  # room for the photos of one co-op, in the database

# --- Language, time -----------------------------------------------------------------------
LANGUAGE_CODE = "en"
LANGUAGES = [("en", "English")]
USE_I18N = True
USE_TZ = True
TIME_ZONE = "UTC"

# --- API ----------------------------------------------------------------------------------
REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "coop.api_sign_in.TokenSignIn",
        "rest_framework.authentication.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["coop.api_sign_in.BelongsToCoop"],
    "DEFAULT_PARSER_CLASSES": ["coop.api_body.Body"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_SCHEMA_CLASS": "coop.api_ground.Schema",
    "DEFAULT_PAGINATION_CLASS": None,
    "EXCEPTION_HANDLER": "coop.api_ground.problem",
    "UNAUTHENTICATED_USER": "django.contrib.auth.models.AnonymousUser",
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Shared kiln co-op",
    "DESCRIPTION": "One firing of a shared kiln, from the first call to the last cent.",
    "VERSION": "1",
    "OAS_VERSION": "3.1.0",
    "SERVE_INCLUDE_SCHEMA": False,
    "SCHEMA_PATH_PREFIX": r"/\{coop\}/api/v1/",
    "SERVE_PERMISSIONS": ["rest_framework.permissions.AllowAny"],
    "COMPONENT_SPLIT_REQUEST": True,
    "ENUM_NAME_OVERRIDES": {
        "RoleKind": "coop.models.Role.Kind",
        "SignOffKind": "coop.models.SignOff.Kind",
        "ChoreKind": "firings.models.Chore.Kind",
        "LogEntryKind": "firings.models.LogEntry.Kind",
        "StageKey": "firings.lifecycle.STAGE_KEYS",
        "MaterialKind": "firings.models.Material.Kind",
        "FurnitureKind": "firings.models.FurnitureLot.Kind",
    },
}

# --- Logs: with DEBUG off Django prints no traceback anywhere unless told to ---------------
LOG_JSON = env.str("LOG_FORMAT", default="text") == "json"
LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {
        "text": {"format": "%(asctime)s %(levelname)s %(name)s %(message)s"},
        "json": {"()": "coop.logs.JsonFormatter"},
    },
    "filters": {"without_keys": {"()": "coop.logs.WithoutKeys"}},
    "handlers": {
        "console": {
            "class": "logging.StreamHandler",
            "formatter": "json" if LOG_JSON else "text",
            "filters": ["without_keys"],
        }
    },
    "root": {"handlers": ["console"], "level": "INFO"},
    "loggers": {
        "fontTools": {"level": "ERROR"},
        "weasyprint": {"level": "ERROR"},
        "django.security.DisallowedHost": {"level": "CRITICAL"},
    },
}
METRICS_TOKEN = env.str("METRICS_TOKEN", default="")  # empty: there is no /metrics
SILENCED_SYSTEM_CHECKS: list[str] = []
