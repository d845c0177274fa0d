"""Command ``keys``: keys for dashboards on other machines."""

from __future__ import annotations

from benchkit.cli.common import add_json

TYPE_CHECKING = False
if TYPE_CHECKING:
    from argparse import ArgumentParser, Namespace

PORTS = (5761, 5762)


def keys_arguments(parser: ArgumentParser) -> None:
    parser.add_argument(
        "folder", metavar="FOLDER", help="folder with the keys of the stand; without more, they are listed"
    )
    parser.add_argument("--new", action="store_true", help="make the key pair of the stand")
    parser.add_argument("--grant", metavar="NAME", help="let a dashboard in: writes its pass, to be carried to it")
    parser.add_argument(
        "--control", action="store_true", help="with --grant: it may command; without, it may only watch"
    )
    parser.add_argument("--public", metavar="HEX", default="", help="with --grant: a key that was made elsewhere")
    parser.add_argument(
        "--at", metavar="HOST", default="", help="with --grant: name or address of the stand's computer"
    )
    parser.add_argument(
        "--ports",
        nargs=2,
        type=int,
        default=PORTS,
        metavar=("PUBLISH", "REQUEST"),
        help=f"with --grant: ports of the recorder (default {PORTS[0]} {PORTS[1]})",
    )
    parser.add_argument("--out", metavar="FILE", help="with --grant: the pass (default NAME.pass.json)")
    parser.add_argument("--withdraw", metavar="NAME", help="take a key out of the list")
    add_json(parser)


def run_keys(args: Namespace) -> int:
    from pathlib import Path

    from benchkit.cli.common import print_json
    from benchkit.errors import UsageError
    from benchkit.session.keys import KNOWN, make_stand_key, read_keyring, withdraw

    folder = Path(args.folder)
    if sum(bool(x) for x in (args.new, args.grant, args.withdraw)) > 1:
        raise UsageError("give one of --new, --grant, --withdraw")
    if args.new:
        pair = make_stand_key(folder)
        print(f"made {folder}: the stand's public key is {pair.public}")
        print("Let a dashboard in with: benchkit keys FOLDER --grant NAME --at HOST")
        return 0
    if args.grant:
        return _grant(args, folder)
    if args.withdraw:
        one = withdraw(folder, args.withdraw)
        print(f"withdrawn: {one.name}. From now on it can ask nothing; what it watches ends within a second.")
        return 0
    ring = read_keyring(folder)
    if args.json:
        known = [{"name": k.name, "grant": k.grant.value, "public": k.public} for k in ring.known.values()]
        print_json({"stand_public": ring.stand.public, "known": known})
        return 0
    print(f"stand    {ring.stand.public}")
    for one in ring.known.values():
        print(f"{one.grant.value:8} {one.public}  {one.name}")
    if not ring.known:
        print(f"no dashboard is let in yet ({folder / KNOWN})")
    return 0


def _grant(args: Namespace, folder: object) -> int:
    from pathlib import Path

    from benchkit.errors import UsageError
    from benchkit.session.keys import PASS_SUFFIX, Grant, grant_pass, write_pass

    assert isinstance(folder, Path)
    if not args.public and not args.at:
        raise UsageError(
            "where will the dashboard find the stand?", where="--at", expected="name or address of its computer"
        )
    path = Path(args.out or f"{args.grant.replace(' ', '_')}{PASS_SUFFIX}")
    if not args.public and (path.exists() or not path.name.endswith(PASS_SUFFIX)):
        raise UsageError("not a place for a pass", where=str(path), expected=f"a new file that ends with {PASS_SUFFIX}")
    known, keys = grant_pass(folder, args.grant, Grant.CONTROL if args.control else Grant.WATCH, args.public)
    may = "watch and command" if args.control else "watch"
    if keys is None:
        print(f"{known.name} may {may}, with the key that was made elsewhere")
        return 0
    publish, request = (f"tcp://{args.at}:{port}" for port in args.ports)
    write_pass(path, known, keys, publish, request)
    print(f"{known.name} may {may}. Carry {path} to that machine by a way that nobody else can read;")
    print(f"there: benchkit dashboard --attach {path.name}")
    listen = f"--publish 'tcp://*:{args.ports[0]}' --request 'tcp://*:{args.ports[1]}'"
    print(f"here:  benchkit record STAND --keys {folder} {listen}")
    return 0
