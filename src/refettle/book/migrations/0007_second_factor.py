import django.db.models.deletion
import django.db.models.functions.text
import django.db.models.lookups
import django.utils.timezone
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("book", "0006_large_shop"),
    ]

    operations = [
        migrations.CreateModel(
            name="SecondFactor",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("secret", models.CharField(max_length=64)),
                ("step", models.BigIntegerField(default=0)),
                ("since", models.DateTimeField(default=django.utils.timezone.now, editable=False)),
                (
                    "person",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT, related_name="second_factor", to="book.person"
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("secret", ""), _negated=True), name="second_factor_has_a_secret"
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="PaperCode",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("sha256", models.CharField(max_length=64, unique=True)),
                (
                    "factor",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="paper_codes",
                        to="book.secondfactor",
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=django.db.models.lookups.Exact(django.db.models.functions.text.Length("sha256"), 64),
                        name="paper_code_sha256",
                    )
                ],
            },
        ),
    ]
