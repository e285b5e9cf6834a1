"""refettle people: who signs in to the bench book over the network, and what each may do."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from contextlib import contextmanager

from refettle.cli.common import DONE, Refused, open_book, print_json, table


def add_arguments(parser: argparse.ArgumentParser) -> None:
    actions = parser.add_subparsers(title="actions", dest="action", metavar="ACTION", required=True)

    add = actions.add_parser("add", help="somebody new; the password is asked for, or read from standard input")
    _name(add)
    add.add_argument("--role", default="bench", help="owner, bench or read-only; by default bench")
    add.set_defaults(run=run_add)

    listed = actions.add_parser("list", help="everybody, with role and last sign-in")
    listed.set_defaults(run=run_list)

    role = actions.add_parser("role", help="give another role")
    _name(role)
    role.add_argument("role", help="owner (all, and people), bench (writes) or read-only")
    role.set_defaults(run=run_role)

    password = actions.add_parser("password", help="set a password; it signs the person out everywhere")
    _name(password)
    password.set_defaults(run=run_password)

    remove = actions.add_parser("remove", help="bar somebody; the name stays, since entries name it")
    _name(remove)
    remove.set_defaults(run=run_remove)

    back = actions.add_parser("return", help="let somebody barred in again")
    _name(back)
    back.set_defaults(run=run_return)

    second = actions.add_parser(
        "second-factor-off", help="sign somebody in by the password alone again, who has lost app and paper"
    )
    _name(second)
    second.set_defaults(run=run_second_off)

    for each in (add, listed, role, password, remove, back, second):
        each.add_argument("--json", action="store_true", help="as JSON")


def _name(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("name", metavar="NAME", help="as it stands beside entries")


@contextmanager
def _refusing() -> Iterator[None]:
    from refettle.book.people import PeopleError

    try:
        yield
    except PeopleError as error:
        raise Refused(str(error)) from None


def _ask(name: str) -> str:
    """A password from the terminal, asked twice, or the first line of standard input. Raises Refused."""
    import getpass

    if not sys.stdin.isatty():
        line = sys.stdin.readline()
        if not line.strip("\r\n"):
            raise Refused("password: nothing found on standard input; allowed: one line with the password")
        return line.rstrip("\r\n")
    try:
        typed = getpass.getpass(f"Password for {name}: ")
        again = getpass.getpass("Once more: ")
    except EOFError:
        raise Refused("password: nothing found; allowed: the password, twice") from None
    if typed != again:
        raise Refused("password: two different ones found; allowed: the same twice. Nothing was changed")
    return typed


def run_add(args: argparse.Namespace) -> int:
    open_book()
    from refettle.book import people

    with _refusing():
        people.role_named(args.role)
        person = people.add(args.name, args.role, _ask(args.name))
    return _done(args, person, f"{person.name} may sign in: {person.get_role_display()}.")


def run_list(args: argparse.Namespace) -> int:
    open_book()
    from django.utils import timezone

    from refettle.book.models_people import Person

    everybody = list(Person.objects.select_related("second_factor"))
    if args.json:
        print_json([_facts(person) for person in everybody])
        return DONE
    if not everybody:
        print("Nobody yet. The first: refettle people add NAME --role owner")
        return DONE
    rows = [["NAME", "ROLE", "STATE", "SECOND FACTOR", "LAST SIGN-IN"]]
    for p in everybody:
        last = timezone.localtime(p.last_login).strftime("%Y-%m-%d %H:%M") if p.last_login else "never"
        factor = "on" if hasattr(p, "second_factor") else "off"
        rows.append([p.name, p.role, "may sign in" if p.is_active else "barred", factor, last])
    print(table(rows))
    return DONE


def run_role(args: argparse.Namespace) -> int:
    open_book()
    from refettle.book import people

    with _refusing():
        person = people.find(args.name)
        people.set_role(person, args.role)
    return _done(args, person, f"{person.name}: {person.get_role_display()}.")


def run_password(args: argparse.Namespace) -> int:
    open_book()
    from refettle.book import people

    with _refusing():
        person = people.find(args.name)
        people.set_password(person, _ask(person.name))
    return _done(args, person, f"{person.name} has a new password, and is signed out everywhere.")


def run_remove(args: argparse.Namespace) -> int:
    open_book()
    from refettle.book import people

    with _refusing():
        person = people.find(args.name)
        people.bar(person)
    return _done(args, person, f"{person.name} is barred and signed out everywhere. What they wrote keeps their name.")


def run_return(args: argparse.Namespace) -> int:
    open_book()
    from refettle.book import people

    with _refusing():
        person = people.find(args.name)
        people.let_in_again(person)
    return _done(args, person, f"{person.name} may sign in again: {person.get_role_display()}.")


def run_second_off(args: argparse.Namespace) -> int:
    open_book()
    from refettle.book import people, second

    with _refusing():
        person = people.find(args.name)
        if not second.switch_off(person):
            raise people.PeopleError(f"second factor: {person.name} has none")
    return _done(args, person, f"{person.name} signs in by the password alone now, and is signed out everywhere.")


def _facts(person: object) -> dict[str, object]:
    from refettle.book.models_people import Person

    assert isinstance(person, Person)
    return {
        "name": person.name,
        "role": person.role,
        "barred": not person.is_active,
        "second_factor": hasattr(person, "second_factor"),
        "last_sign_in": person.last_login,
    }


def _done(args: argparse.Namespace, person: object, line: str) -> int:
    if args.json:
        print_json(_facts(person))
    else:
        print(line)
    return DONE
