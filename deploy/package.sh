#!/usr/bin/env bash
# Builds the Debian package: deploy/package.sh [BINARY [FOLDER]]
#
# Without a BINARY the release is built first. The package comes to FOLDER, else to target/debian, and
# its path is printed. It needs cargo and dpkg-deb, no network after the build, and no root.
set -euo pipefail
project="$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)"

if [ $# -gt 0 ]; then
    binary="$(realpath "$1")"
else
    (cd "$project" && cargo build --release --locked --quiet)
    target="${CARGO_TARGET_DIR:-$project/target}"
    binary="$target/release/barmkeep"
fi
folder="${2:-${CARGO_TARGET_DIR:-$project/target}/debian}"
# The same files give the same package.
SOURCE_DATE_EPOCH="${SOURCE_DATE_EPOCH:-$(stat -c %Y "$project/CHANGELOG.md")}"
export SOURCE_DATE_EPOCH
version="$("$binary" --version)"

stage="$(mktemp -d)"
trap 'rm -rf "$stage"' EXIT
chmod 755 "$stage"
umask 022
doc="$stage/usr/share/doc/barmkeep"

program() {
    install -D -m 755 "$binary" "$stage/usr/bin/barmkeep"
    if command -v strip >/dev/null; then strip --strip-unneeded "$stage/usr/bin/barmkeep"; fi
    "$binary" man --folder "$stage/usr/share/man/man1"
    gzip -9n "$stage"/usr/share/man/man1/*
    mkdir -p "$stage/usr/share/bash-completion/completions" "$stage/usr/share/zsh/vendor-completions" \
        "$stage/usr/share/fish/vendor_completions.d"
    "$binary" completions bash >"$stage/usr/share/bash-completion/completions/barmkeep"
    "$binary" completions zsh >"$stage/usr/share/zsh/vendor-completions/_barmkeep"
    "$binary" completions fish >"$stage/usr/share/fish/vendor_completions.d/barmkeep.fish"
}

service() {
    mkdir -p "$stage/usr/lib/systemd/system" "$stage/etc/barmkeep/schedules"
    # The head of the file is for those who install it by hand.
    sed -e '1,/^$/d' -e 's#/usr/local/#/usr/#' "$project/deploy/barmkeep.service" \
        >"$stage/usr/lib/systemd/system/barmkeep.service"
    install -D -m 644 "$project/deploy/debian/sysusers.conf" "$stage/usr/lib/sysusers.d/barmkeep.conf"
}

documents() {
    mkdir -p "$doc/examples" "$doc/deploy"
    cp "$project/README.md" "$doc/"
    cp "$project/CHANGELOG.md" "$doc/"
    # What Debian's own tools read, at the time of the sources.
    cat >"$doc/changelog" <<END
barmkeep (${version##* }) stable; urgency=medium

  * CHANGELOG.md.gz beside this file has the changes.

 -- $(sed -n 's/^Maintainer: //p' "$project/deploy/debian/control")  $(date -Ru "-d@$SOURCE_DATE_EPOCH")
END
    cp -r "$project/config-examples/." "$doc/examples/"
    for file in README.md SECURITY.md UPGRADE.md mosquitto.conf mosquitto.acl Containerfile; do
        cp "$project/deploy/$file" "$doc/deploy/"
    done
    chmod -R u=rwX,go=rX "$doc"
    gzip -9n "$doc"/*.md "$doc/changelog" "$doc/deploy"/*.md
}

# Our licence, and those of all that is linked in, each text once.
copyright() {
    local crates="${CARGO_HOME:-$HOME/.cargo}/registry/src" name number licence text sum
    declare -A seen=()
    {
        echo "Format: https://www.debian.org/doc/packaging-manuals/copyright-format/1.0/"
        echo
        echo "Files: *"
        echo "Copyright: $(sed -n 's/^Copyright (c) //p' "$project/LICENSE")"
        echo "License: MIT"
        sed -e '1,/^Copyright/d' -e '/./!s/^/./' -e 's/^/ /' "$project/LICENSE" | sed 1d
    } >"$doc/copyright"
    {
        echo "What is linked into the program, its licence, and each licence's text once."
        (cd "$project" && cargo tree --offline --locked --package barmkeep --edges normal \
            --prefix none --format '{p} ({l})') | grep -v "($project" | sed 's/ (\*)$//' | sort -u \
            >"$stage/crates"
        cat "$stage/crates"
        while read -r name number licence; do
            for text in "$crates"/*/"$name-${number#v}"/{LICEN,licen,COPYING,NOTICE}*; do
                [ -f "$text" ] || continue
                sum="$(md5sum <"$text")"
                [ -z "${seen[$sum]:-}" ] || continue
                seen[$sum]=1
                printf '\n==== %s %s: %s\n\n' "$name" "$number" "$(basename "$text")"
                cat "$text"
            done
        done <"$stage/crates"
    } | gzip -9n >"$doc/libraries.gz"
    rm "$stage/crates"
}

control() {
    local architecture libc kib
    architecture="$(dpkg --print-architecture)"
    # The newest symbol of the C library that the program asks for; packed addresses have none of
    # their own, and came with 2.36.
    libc="$(grep -aoE 'GLIBC_(2\.[0-9]+|ABI_DT_RELR)' "$stage/usr/bin/barmkeep" |
        sed 's/ABI_DT_RELR/2.36/' | sort -uV | tail -n 1)"
    kib="$(du -sk "$stage" | cut -f 1)"
    mkdir "$stage/DEBIAN"
    (cd "$stage" && find usr -type f -print0 | sort -z | xargs -0 md5sum >DEBIAN/md5sums)
    sed -e "s/@VERSION@/${version##* }/" -e "s/@ARCHITECTURE@/$architecture/" \
        -e "s/@LIBC@/${libc#GLIBC_}/" -e "s/@KIB@/$kib/" \
        "$project/deploy/debian/control" >"$stage/DEBIAN/control"
    install -m 755 "$project/deploy/debian/"{postinst,prerm,postrm} "$stage/DEBIAN/"
    mkdir -p "$folder"
    dpkg-deb --root-owner-group -Zxz -z2 --build "$stage" \
        "$folder/barmkeep_${version##* }_$architecture.deb" >/dev/null
    echo "$folder/barmkeep_${version##* }_$architecture.deb"
}

program
service
documents
copyright
control
