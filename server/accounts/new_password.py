"""The page on which a person who is signed in takes another password."""

from __future__ import annotations

import logging

from django.contrib import messages
from django.contrib.auth.forms import PasswordChangeForm
from django.contrib.auth.views import PasswordChangeView
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.urls import reverse_lazy
from django.utils.decorators import method_decorator
from django.views.decorators.cache import never_cache

from server import wiring
from server.accounts.addresses import address_of
from server.accounts.attempt_limit import guarded
from server.accounts.known_browsers import introduce
from server.request_id import request_id

logger = logging.getLogger(__name__)


class NewPasswordForm(PasswordChangeForm):
    """The old one, and twice the new one."""

    def clean_old_password(self) -> str:
        """The old one, at which whoever finds a browser signed in may not guess for ever.

        Raises:
            TooManyTries: there were too many wrong ones.
        """
        with guarded("browser", f"user:{self.user.pk}", wiring.now(), ValidationError):
            return super().clean_old_password()


@method_decorator(never_cache, name="dispatch")
class NewPassword(PasswordChangeView):
    """Every other session of the person ends; the browser at hand is known again."""

    template_name = "console/new_password.html"
    form_class = NewPasswordForm
    success_url = reverse_lazy("console")

    def form_valid(self, form: PasswordChangeForm) -> HttpResponse:
        """The new one counts."""
        response = super().form_valid(form)
        introduce(response, form.user)
        number, address = request_id(self.request), address_of(self.request)
        logger.warning("request %s from %s: user:%s has another password", number, address, form.user.pk)
        messages.success(self.request, "The new password counts. Wherever else you were signed in you are no more.")
        return response
