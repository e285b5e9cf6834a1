"""Django settings, made from the REFETTLE_ variables. Importing this makes no files."""

from __future__ import annotations

import os
import secrets

from django.core.exceptions import ImproperlyConfigured

from refettle.language import FOLDER, SOURCE
from refettle.language import LANGUAGES as LANGUAGE_NAMES
from refettle.web.environment import EnvironmentVariableError, read_options
from refettle.web.home import HomeError, read_key

try:
    _options = read_options(os.environ)
    # Before the first start there is no key yet; one that lasts as long as the process will do.
    SECRET_KEY = read_key(_options.home) or secrets.token_urlsafe(50)
except (EnvironmentVariableError, HomeError) as error:
    raise ImproperlyConfigured(str(error)) from None

REFETTLE_HOME = _options.home.folder
REFETTLE_DATABASE = _options.database
REFETTLE_PHOTOS = _options.home.photos
REFETTLE_FILES = _options.home.files
REFETTLE_TYPES = _options.home.types
REFETTLE_KINDS = _options.home.kinds
REFETTLE_CURRENCY = _options.currency
REFETTLE_LANGUAGE = _options.language
REFETTLE_UNITS = _options.units
REFETTLE_RATE = _options.rate
REFETTLE_WHO = _options.who
REFETTLE_KEEP_YEARS = _options.keep_years
REFETTLE_SIGN_IN = _options.sign_in
REFETTLE_SECOND_FACTOR = _options.second_factor
REFETTLE_HOSTS = _options.hosts
REFETTLE_HTTPS = _options.https
REFETTLE_HSTS_DAYS = _options.hsts_days
REFETTLE_PROXY = _options.proxy
REFETTLE_ADDRESS = ""  # where other machines find the book, once it is served

DEBUG = False
# Loopback, and what REFETTLE_HOSTS names; `serve` adds the address it listens at.
ALLOWED_HOSTS = ["127.0.0.1", "localhost", "[::1]", *REFETTLE_HOSTS]

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "django_htmx",
    "refettle.book",
    "refettle.web",
]

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "refettle.web.middleware.TlsAlone",
    "refettle.web.middleware.ContentPolicy",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "refettle.web.middleware.Language",
    "refettle.web.middleware.UploadLimit",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "refettle.web.signing.SignIn",
    "refettle.web.middleware.AtomicWrites",
]

ROOT_URLCONF = "refettle.web.urls"
WSGI_APPLICATION = "refettle.web.wsgi.application"

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.messages.context_processors.messages",
                "refettle.web.signing.signed_in",
            ],
        },
    },
]

DATABASES = {"default": REFETTLE_DATABASE.settings()}
# In memory: what is kept there is a form's token for a day, and what each job needs next. Django's own limit, 300,
# would let go of both while they are needed.
CACHES = {
    "default": {
        "BACKEND": "django.core.cache.backends.locmem.LocMemCache",
        "OPTIONS": {"MAX_ENTRIES": 20_000, "CULL_FREQUENCY": 10},
    }
}
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

AUTH_USER_MODEL = "book.Person"
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "refettle.book.passwords.Length"},
    {"NAME": "refettle.book.passwords.NotCommon"},
    {
        "NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator",
        "OPTIONS": {"user_attributes": ("name",)},
    },
]

# In the database: a session that was signed out is gone, whoever kept a copy of its cookie.
SESSION_ENGINE = "refettle.web.sessions"
SESSION_COOKIE_AGE = 14 * 24 * 3600  # [s]
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
# Behind TLS with a prefix by which browsers take them from this very host alone (draft-ietf-httpbis-rfc6265bis).
_PREFIX = "__Host-" if REFETTLE_HTTPS else ""
SESSION_COOKIE_NAME = f"{_PREFIX}refettle_session"
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = REFETTLE_HTTPS
CSRF_COOKIE_NAME = f"{_PREFIX}refettle_csrf"
CSRF_COOKIE_HTTPONLY = True
CSRF_COOKIE_SAMESITE = "Strict"
if REFETTLE_SIGN_IN:  # what is said once after a form may be about a customer: it stays off the browser's disk
    MESSAGE_STORAGE = "django.contrib.messages.storage.session.SessionStorage"

SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
# Browsers log an error for this header over plain http.
SECURE_CROSS_ORIGIN_OPENER_POLICY = None
X_FRAME_OPTIONS = "DENY"

DATA_UPLOAD_MAX_MEMORY_SIZE = 5_000_000  # bytes of a form without its files
DATA_UPLOAD_MAX_NUMBER_FIELDS = 2_000
DATA_UPLOAD_MAX_NUMBER_FILES = 50
REFETTLE_MAX_REQUEST_BYTES = 250_000_000  # a form with all its files
REFETTLE_MAX_ARCHIVE_BYTES = 800_000_000  # a job packed by another bench; larger ones by the command line
REFETTLE_MAX_RECORDING_BYTES = 400_000_000  # ten minutes, two channels, 96 kHz, 24 bits, and some

STATIC_URL = "static/"
WHITENOISE_USE_FINDERS = True  # straight from the installed package, nothing to collect
WHITENOISE_AUTOREFRESH = False
WHITENOISE_MAX_AGE = 60
WHITENOISE_ALLOW_ALL_ORIGINS = False

# A visitor's choice (a cookie), then REFETTLE_LANGUAGE, then what the browser asks for.
LANGUAGE_CODE = _options.language or SOURCE
LANGUAGES = list(LANGUAGE_NAMES.items())
LOCALE_PATHS = [FOLDER]
LANGUAGE_COOKIE_NAME = "refettle_language"
LANGUAGE_COOKIE_AGE = 400 * 24 * 3600  # [s]
LANGUAGE_COOKIE_HTTPONLY = True
LANGUAGE_COOKIE_SAMESITE = "Lax"
LANGUAGE_COOKIE_SECURE = REFETTLE_HTTPS
FORMAT_MODULE_PATH = "refettle.web.formats"
USE_I18N = True
USE_TZ = True
TIME_ZONE = _options.time_zone

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {
        "line": {"()": "refettle.web.logs.OneLine", "format": "{asctime} {levelname} {message}", "style": "{"}
    },
    "filters": {"odd": {"()": "refettle.web.logs.Odd"}},
    "handlers": {"stderr": {"class": "logging.StreamHandler", "formatter": "line", "level": "WARNING"}},
    "loggers": {
        "django": {"handlers": ["stderr"], "level": "WARNING", "propagate": False},
        "django.request": {"handlers": ["stderr"], "level": "WARNING", "filters": ["odd"], "propagate": False},
        # A stranger's Host header is answered with 400; it is no fault of ours.
        "django.security.DisallowedHost": {"handlers": [], "propagate": False},
        "refettle": {"handlers": ["stderr"], "level": "WARNING", "propagate": False},
    },
}
